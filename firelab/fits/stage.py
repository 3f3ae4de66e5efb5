"""The stage fit: one call for posterior and likelihood, and how far its priors matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, overload

import numpy as np

from firelab.arrays import FloatArray
from firelab.errors import UsageError
from firelab.fits.ordinal.priors import scaled_spreads, width_words
from firelab.fits.ordinal.stage_likelihood import StageLikelihoodFit, fit_stage_likelihood
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.ordinal.warming_up import without_warm_up
from firelab.fits.sampling.watch import part
from firelab.records.records import Records
from firelab.series.terms import TEMPERATURE, coding

METHODS = ("posterior", "ml")

StageFit = StagePosterior | StageLikelihoodFit


@overload
def fit_stage(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    method: Literal["posterior"] = "posterior",
    link: str = "logit",
    rng: np.random.Generator | None = None,
) -> StagePosterior: ...
@overload
def fit_stage(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    method: str,
    link: str = "logit",
    rng: np.random.Generator | None = None,
) -> StageFit: ...
def fit_stage(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    method: str = "posterior",
    link: str = "logit",
    rng: np.random.Generator | None = None,
) -> StageFit:
    """Fit the stage of fusing to the looks of a series.

    Parameters
    ----------
    records : Records
        Looks of one series.
    terms : sequence of str, optional
        Model terms, such as ``("temperature", "dwell", "base")``; by default
        the series' own.
    method : {'posterior', 'ml'}, default 'posterior'
        The posterior serves the windows; maximum likelihood the tests of terms.
    link : {'logit', 'probit', 'cloglog', 'loglog'}, default 'logit'
        Distribution of the latent grade.
    rng : numpy.random.Generator, optional
        Of the posterior's draws; by default seeded from the series.

    Returns
    -------
    StagePosterior or StageLikelihoodFit
        As the method.

    Raises
    ------
    UsageError
        If there is no such method or link.
    RecordsInsufficient
        If the records cannot support the fit.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.fit_stage(records)
    <StagePosterior: 30 looks in 10 loads: sugar 6, orange peel 3, full 15, over 6.>
    """
    if method == "posterior":
        return fit_posterior(records, terms, link=link, rng=rng)
    if method == "ml":
        return fit_stage_likelihood(records, terms, link=link)
    raise UsageError(f"there is no method {method!r}", hint=f"one of {', '.join(METHODS)}")


_DRAWS = 1000
"""Of each of the two fits, of which a hundred must be independent (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorSensitivity:
    """What doubling and halving every prior's spread does.

    Attributes
    ----------
    doubled, halved : float
        Largest move of the middle of a step from grade to grade, in `unit`.
    interval : float
        Half width of the widest interval of those middles, in `unit`.
    unit : str
        ``degC`` where temperature is a term, else ``latent units``.
    words : str
        One line.
    """

    doubled: float
    halved: float
    interval: float
    unit: str
    words: str


def prior_sensitivity(records: Records, fit: StagePosterior) -> PriorSensitivity:
    """Fit again with the spread of every prior doubled and halved.

    Parameters
    ----------
    records : Records
        What was fitted.
    fit : StagePosterior

    Returns
    -------
    PriorSensitivity
        Moves are of posterior medians, at the centre of every coded factor.
    """
    series = records.series
    own, unit = _step_places(fit)
    tail = (1.0 - series.window.level) / 2.0
    low, high = np.quantile(own, [tail, 1.0 - tail], axis=0)
    moves = {}
    for at, (name, factor) in enumerate((("doubled", 2.0), ("halved", 0.5))):
        stated = scaled_spreads(fit.series.priors, factor)
        # The priors of the fit hold what its traces say.
        changed = replace(records, series=replace(series, priors=stated), traces={})
        with part(at / 2, (at + 1) / 2):
            other = fit_posterior(
                changed,
                without_warm_up(fit.terms),
                link=fit.link,
                rng=np.random.default_rng(series.seed),
                n_draws=_DRAWS,
                only_medians=True,
            )
        moved = np.median(_step_places(other)[0], axis=0) - np.median(own, axis=0)
        moves[name] = float(np.max(np.abs(moved)))
    interval = float(np.max(high - low) / 2.0)
    reads = series.kiln.reads if unit == "degC" else unit
    double, half, alone = (width_words(one, reads) for one in (*moves.values(), interval))
    return PriorSensitivity(
        doubled=moves["doubled"],
        halved=moves["halved"],
        interval=interval,
        unit=unit,
        words=(
            f"spreads doubled, a step from grade to grade moves by at most {double}; "
            f"halved, by {half}; by itself it is known to {alone} either way"
        ),
    )


def _step_places(fit: StagePosterior) -> tuple[FloatArray, str]:
    """Return where each draw steps to the next grade, shape (S, J - 1)."""
    draws = fit.draws
    if TEMPERATURE not in fit.columns:
        return draws.thresholds, "latent units"
    slope = draws.coefficients[:, fit.columns.index(TEMPERATURE)]
    half = coding(fit.series, "temperature").half_width
    return half * draws.thresholds / slope[:, None], "degC"
