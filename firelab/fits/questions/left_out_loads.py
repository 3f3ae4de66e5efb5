r"""Prediction of loads that a fit has not seen.

Each load is left out in turn and its looks predicted from the others, as a
future load would be. The ranked probability score
:math:`\sum_j (P(y \le j) - 1[y \le j])^2 / (J - 1)` (Epstein 1969) is 0 for a
certain and right prediction, and finite even where a grade was not seen.

Probabilities of the grades that a fit predicts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.interval_terms import interval_terms
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.load_chunks import hermite_nodes
from firelab.fits.ordinal.not_estimable import find_aliases
from firelab.fits.ordinal.plain_likelihood import place_cuts

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


IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Predictor = Callable[[BoolArray], FloatArray]

FEWEST_LOADS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadScores:
    """How well loads were predicted from the others.

    Attributes
    ----------
    load : ndarray of int, shape (G,)
    n_looks : ndarray of int, shape (G,)
    total : ndarray, shape (G,)
        Summed ranked probability score of each load's looks; less is better.
    """

    load: IntArray
    n_looks: IntArray
    total: FloatArray

    @property
    def mean(self) -> float:
        """Mean score per look."""
        return float(self.total.sum() / self.n_looks.sum())

    def worse_than(self, other: LoadScores) -> tuple[float, float]:
        """Return by how much the score is above another's, and the standard error.

        Per look, from the differences between whole loads.
        """
        looks = float(self.n_looks.sum())
        gap = self.total - other.total
        mean = float(gap.sum()) / looks
        rest = gap - mean * self.n_looks
        count = len(gap)
        error = float(np.sqrt(count / (count - 1.0) * np.sum(rest * rest))) / looks
        return mean, error


def ranked_scores(y: IntArray, chances: FloatArray) -> FloatArray:
    """Return the ranked probability score of each look, shape (n,).

    Parameters
    ----------
    y : ndarray of int, shape (n,)
        Grades from 0.
    chances : ndarray, shape (n, J)
        Predicted probabilities.

    Examples
    --------
    >>> ranked_scores(np.array([0, 2]), np.array([[1.0, 0, 0], [0.5, 0.5, 0]]))
    array([0.   , 0.625])
    """
    reached = np.cumsum(chances, axis=1)[:, :-1]
    happened = y[:, None] <= np.arange(chances.shape[1] - 1)
    scores = np.sum((reached - happened) ** 2, axis=1)
    return np.asarray(scores / max(chances.shape[1] - 1, 1))


def score_left_out_loads(y: IntArray, load: IntArray, predict: Predictor) -> LoadScores:
    """Score a way to predict each load from the others.

    Parameters
    ----------
    y : ndarray of int, shape (n,)
    load : ndarray of int, shape (n,)
    predict : callable
        Takes which looks are left out, shape (n,), and returns probabilities of
        their grades, shape (m, J), from the others alone.

    Raises
    ------
    RecordsInsufficient
        If there are fewer than three loads.
    """
    loads = np.unique(load)
    if len(loads) < FEWEST_LOADS:
        raise RecordsInsufficient(
            f"{len(loads)} loads cannot be left out in turn",
            hint=f"fire at least {FEWEST_LOADS} loads",
        )
    counts, totals = [], []
    for one in loads:
        left_out = load == one
        scores = ranked_scores(y[left_out], predict(left_out))
        counts.append(int(np.sum(left_out)))
        totals.append(float(np.sum(scores)))
    return LoadScores(load=loads, n_looks=np.array(counts), total=np.array(totals))


def likelihood_predictor(
    y: IntArray, X: FloatArray, load: IntArray, *, n_grades: int, link: str | Link = "logit"
) -> Predictor:
    """Return a predictor that fits by maximum likelihood with a load effect.

    Columns that the remaining loads cannot tell apart are left out; where only
    one grade remains it is predicted outright; where the grades are separated
    the fit is bias-reduced.
    """

    def predict(left_out: BoolArray) -> FloatArray:
        kept = ~left_out
        seen = np.unique(y[kept])
        if len(seen) < 2:
            chances = np.zeros((int(left_out.sum()), n_grades))
            chances[:, int(seen[0])] = 1.0
            return chances
        names = [str(place) for place in range(X.shape[1])]
        aliased = find_aliases(X[kept], names)
        told = [place for place, name in enumerate(names) if name not in aliased]
        fit = _fit_or_none(y[kept], X[kept][:, told], load[kept], n_grades, link)
        if fit is None:
            shares = np.bincount(y[kept], minlength=n_grades) / kept.sum()
            return np.tile(shares, (int(left_out.sum()), 1))
        return _on_whole_scale(fit, X[left_out][:, told], n_grades)

    return predict


def _fit_or_none(
    y: IntArray, X: FloatArray, load: IntArray, n_grades: int, link: str | Link
) -> CumulativeLinkFit | None:
    names = [str(place) for place in range(n_grades)]
    groups = load if len(np.unique(load)) < len(load) else None
    try:
        return fit_cumulative_link(
            y, X, n_grades=n_grades, grades=names, link=link, groups=groups
        )
    except RecordsInsufficient:
        return None


def _on_whole_scale(fit: CumulativeLinkFit, X: FloatArray, n_grades: int) -> FloatArray:
    """Put probabilities of the fitted grades where they stand on the whole scale.

    Unseen grades put together at an end of the scale count as the one nearest
    to what was seen.
    """
    chances = np.zeros((len(X), n_grades))
    fitted = grade_probabilities(fit, X)
    for place, name in enumerate(fit.grades):
        ends = [int(part) for part in name.split(" to ")]
        chances[:, ends[-1] if place == 0 else ends[0]] += fitted[:, place]
    return chances
