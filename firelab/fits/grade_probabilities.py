"""Probabilities of the grades that a fit predicts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.errors import UsageError
from firelab.fits.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.interval_terms import interval_terms
from firelab.fits.load_chunks import hermite_nodes
from firelab.fits.plain_likelihood import place_cuts

FloatArray = NDArray[np.float64]

_NODES = 40


def grade_probabilities(
    fit: CumulativeLinkFit,
    X: ArrayLike,
    *,
    nominal: ArrayLike | None = None,
    scale: ArrayLike | None = None,
    offset: ArrayLike | None = None,
    future_load: bool = True,
) -> FloatArray:
    """Return the probability of each fitted grade, shape (m, J).

    Parameters
    ----------
    fit : CumulativeLinkFit
    X, nominal, scale : array_like, shape (m, ·)
        Columns as they were fitted.
    offset : array_like, shape (m,), optional
    future_load : bool, default True
        Average over the effects of loads (and tiles) not yet fired; else for
        an average one.

    Raises
    ------
    UsageError
        If the columns are not those that were fitted.
    """
    columns = np.atleast_2d(np.asarray(X, dtype=float))
    m = len(columns)
    empty = np.empty((m, 0))
    asked = replace(
        fit.design,
        y=np.zeros(m, dtype=np.int64),
        X=columns,
        nominal=empty if nominal is None else np.asarray(nominal, float).reshape(m, -1),
        scale=empty if scale is None else np.asarray(scale, float).reshape(m, -1),
        offset=np.zeros(m) if offset is None else np.asarray(offset, dtype=float),
        weights=np.ones(m),
    )
    if asked.n_parameters != fit.design.n_parameters:
        raise UsageError(
            f"{asked.n_parameters} parameters are needed for these columns, "
            f"but {fit.design.n_parameters} were fitted",
            hint="give the columns of the fit",
        )
    sd = float(np.sqrt(np.sum(fit.effect_sds**2))) if future_load else 0.0
    nodes = hermite_nodes(_NODES if sd > 0.0 else 1)
    density = np.exp(nodes.log_weight - 0.5 * nodes.place**2)
    chances = np.empty((m, asked.n_grades))
    for grade in range(asked.n_grades):
        cuts = place_cuts(asked, asked.block(slice(None), grade=grade), fit.estimates)
        shift = sd * nodes.place
        lower, upper = cuts.lower[:, None] - shift, cuts.upper[:, None] - shift
        chances[:, grade] = (
            np.exp(interval_terms(fit.link, lower, upper, 0).log_p) @ density
        )
    return chances
