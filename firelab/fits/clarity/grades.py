r"""Clarity where scores are ordered grades, not measurements.

Where the scale has few grades the tests are those of a cumulative link model. Where
scores reach an end of their scale the posterior takes each as an interval: a tile is
written as score :math:`k` where its latent score lies within half a step of it;
the lowest and the highest grade take all that lies beyond. With
:math:`\mu = \alpha + x^\top\beta`, load effect :math:`u` and residual sd
:math:`s`, that has the probability
:math:`\Phi\{(k + h - \mu - u)/s\} - \Phi\{(k - h - \mu - u)/s\}`: an ordered
probit whose thresholds stand one step apart. The parameters are those of the
regression, so what uses its draws need not know which posterior they are from.
Away from the ends of the scale the two posteriors are the same but for what
Sheppard's correction leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from firelab.arrays import FloatArray
from firelab.errors import RecordsInsufficient
from firelab.fits.clarity.maturity import ClarityDraws
from firelab.fits.clarity.posterior import ClarityPosterior, ClarityPriors
from firelab.fits.clarity.regression import (
    COEFFICIENT_COLUMNS,
    NONE,
    ORDINAL,
    ClarityRegression,
    ScoreColumns,
)
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.likelihood import even_nodes, grouped_looks
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.priors import half_normal
from firelab.fits.ordinal.profile_likelihood import term_tests
from firelab.fits.ordinal.separation import separation_words
from firelab.fits.sampling.chains import sample_by_chains
from firelab.fits.sampling.importance import find_mode, is_trusted, sample_by_importance
from firelab.series.firing_series import FiringSeries
from firelab.series.responses import TransparencyResponse
from firelab.series.terms import ModelColumn

FEWEST_SCORES = 5
"""Different scores below which they are grades, not measurements (chosen here, no
source)."""
_AT_END = 0.25
"""Share of the scores at an end of the scale from which the end is taken as open
(chosen here, no source)."""
RATIO_COLUMNS = ["term", "chi_squared", "df", "p_value"]


def has_few_grades(scale: TransparencyResponse, score: FloatArray) -> bool:
    """Tell whether a score is to be read as grades.

    It is where the scale has five grades or fewer, or where fewer than five
    different scores were seen on it.

    Examples
    --------
    >>> has_few_grades(TransparencyResponse(low=0, high=4, target=3), np.arange(5.0))
    True
    """
    grades = round((scale.high - scale.low) / scale.step) + 1
    return grades <= FEWEST_SCORES or 0 < len(np.unique(score)) < FEWEST_SCORES


def reaches_an_end(scale: TransparencyResponse, score: FloatArray) -> bool:
    """Tell whether a quarter or more of the scores are at an end of the scale."""
    return bool(score.size) and bool(
        np.isin(score, [scale.low, scale.high]).mean() >= _AT_END
    )


def regress_grades(
    scores: ScoreColumns, series: FiringSeries | None = None
) -> ClarityRegression:
    """Fit scores as ordered grades, with a load effect where loads can tell one.

    Returns
    -------
    ClarityRegression
        Method ``ordinal``: estimates in logits of a clearer or less clear
        grade by the direction of the score, and likelihood-ratio tests; or
        ``none`` where one score only was seen.
    """
    seen, grade = np.unique(np.round(scores.score, 6), return_inverse=True)
    has_loads = 1 < scores.n_loads < len(scores.score)
    groups = scores.load if has_loads else None
    shown = [f"{one:g}" for one in seen]
    X, labels = scores.estimable_X, scores.estimable_names
    try:
        fit = fit_cumulative_link(grade, X, groups=groups, grades=shown, names=labels)
        tests = term_tests(grade, X, scores.estimable_terms(), groups=groups, grades=shown)
    except RecordsInsufficient as fault:
        return ClarityRegression(method=NONE, aliased=scores.aliased, notes=(fault.what,))
    notes = (
        "few scores were seen: they are tested as ordered grades, in logits",
        *_in_levels(fit, scores, series),
    )
    if not has_loads:
        notes += ("no load effect in the table: these loads cannot tell one",)
    rows = [(one.term, one.statistic, one.df, one.p_value) for one in tests]
    return ClarityRegression(
        method=ORDINAL,
        aliased=scores.aliased,
        notes=notes,
        coefficients=_coefficients(fit, labels),
        terms=pd.DataFrame(rows, columns=RATIO_COLUMNS),
        condition=float(fit.convergence.condition_number),
    )


def _in_levels(
    fit: CumulativeLinkFit, scores: ScoreColumns, series: FiringSeries | None
) -> tuple[str, ...]:
    """Return the notes of a fit, what separates the grades by level, not by code."""
    if fit.separation is None or series is None:
        return fit.notes
    by_code = fit.separation.sentences(fit.grades)
    coded = [one for one in scores.columns if isinstance(one, ModelColumn)]
    if not {one.column for one in fit.separation.partings} <= set(map(str, coded)):
        return fit.notes
    by_level = separation_words(series, coded, fit.separation, fit.grades)
    levels = dict(zip(by_code, by_level, strict=True))
    return tuple(levels.get(note, note) for note in fit.notes)


def _coefficients(fit: CumulativeLinkFit, labels: Sequence[str]) -> pd.DataFrame:
    places = [fit.place(label) for label in labels]
    estimate, error = fit.estimates[places], fit.standard_errors[places]
    z = estimate / error
    return pd.DataFrame(
        dict(
            zip(
                COEFFICIENT_COLUMNS,
                (list(labels), estimate, error, np.inf, z, 2 * ndtr(-np.abs(z))),
                strict=True,
            )
        )
    )


_NODES = even_nodes(1)
"""Of a load's effect on the score: 23 nodes."""
_PROBIT = link_named("probit")
_CHUNK = 250_000
"""Numbers held at once, which bounds the memory and changes no result."""
_CHAINS = 64
"""Chains, well above the number of parameters (chosen here, no source)."""
_LEAST_SD = 1e-3
"""Share of its prior scale below which no sd goes, so that none divides by zero."""
_FARTHEST = 8.0
"""Prior sds beyond which a normal score is held: its half-normal is 0 or infinite."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradedScores:
    """Scores as intervals of a latent score, and their log posterior.

    A point holds, in prior standard units, the intercept, the p coefficients,
    and the normal scores of load sd and residual sd: q = p + 3 coordinates.

    Attributes
    ----------
    lower, upper : ndarray, shape (n,)
        Ends of each tile's latent score, less the prior mean; infinite at the
        ends of the scale. Sorted by load.
    X : ndarray, shape (n, 1 + p)
        A column of ones, then the coded columns.
    groups : Groups
        Tiles of one load.
    priors : ClarityPriors
    """

    lower: FloatArray
    upper: FloatArray
    X: FloatArray
    groups: Groups
    priors: ClarityPriors

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log posterior up to a constant of (M, q) points, shape (M,)."""
        size = max(1, _CHUNK // max(1, self.lower.size * _NODES.place.size))
        parts = [
            self._at(points[start : start + size]) for start in range(0, len(points), size)
        ]
        return np.asarray(np.concatenate(parts) - 0.5 * (points**2).sum(axis=1))

    def _at(self, points: FloatArray) -> FloatArray:
        if not self.lower.size:
            return np.zeros(len(points))
        low, high, moves, *_ = self._ends(points)
        return grouped_looks(
            _PROBIT, low, high, moves, self.groups, _NODES, with_slopes=False
        ).value

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the log posterior, shape (M,), and its gradient, shape (M, q)."""
        value, gradient = -0.5 * (points**2).sum(axis=1), -points
        if not self.lower.size:
            return value, gradient
        low, high, moves, residual, load_slope, residual_slope = self._ends(points)
        found = grouped_looks(_PROBIT, low, high, moves, self.groups, _NODES)
        by_load = found.by_effect.sum(axis=1)
        # An open end has no slope, and infinity times nothing is not nothing.
        stretched = np.where(np.isfinite(low), low, 0.0) * found.by_lower
        stretched += np.where(np.isfinite(high), high, 0.0) * found.by_upper
        own = np.empty_like(points)
        by_mean = -(found.by_lower + found.by_upper) / residual[:, None]
        own[:, :-2] = (by_mean @ self.X) * self.priors.sd
        own[:, -2] = by_load / residual * load_slope
        by_residual = -(stretched.sum(axis=1) + moves[:, 0] * by_load) / residual
        own[:, -1] = by_residual * residual_slope
        return value + found.value, gradient + own

    def _ends(self, points: FloatArray) -> tuple[FloatArray, ...]:
        """Both ends in a mean load, (M, n), what a load moves them, residual sd, slopes."""
        load_sd, load_slope = _sd_of(points[:, -2], self.priors.load_scale)
        residual, slope = _sd_of(points[:, -1], self.priors.residual_scale)
        mean = (points[:, :-2] * self.priors.sd) @ self.X.T
        low = (self.lower - mean) / residual[:, None]
        high = (self.upper - mean) / residual[:, None]
        return low, high, (load_sd / residual)[:, None], residual, load_slope, slope

    def draws(self, points: FloatArray) -> ClarityDraws:
        """Return points as draws in units of the score."""
        moved = points[:, :-2] * self.priors.sd + self.priors.mean
        return ClarityDraws(
            intercept=moved[:, 0],
            coefficients=moved[:, 1:],
            load_sd=_sd_of(points[:, -2], self.priors.load_scale)[0],
            residual_sd=_sd_of(points[:, -1], self.priors.residual_scale)[0],
        )


def _sd_of(score: FloatArray, scale: float) -> tuple[FloatArray, FloatArray]:
    """Return the sd of a normal score and its slope, neither 0 nor infinite."""
    sd, slope = half_normal(np.clip(score, -_FARTHEST, _FARTHEST), scale)
    return sd + _LEAST_SD * scale, slope


def graded_scores(
    scores: ScoreColumns, scale: TransparencyResponse, priors: ClarityPriors
) -> GradedScores:
    """Return scores and columns as intervals on their scale, sorted by load."""
    order = np.argsort(scores.load, kind="stable")
    value, half = scores.score[order], scale.step / 2
    full = np.column_stack([np.ones(len(value)), scores.X])[order]
    centre = full @ priors.mean
    lower = np.where(value <= scale.low, -np.inf, value - half - centre)
    upper = np.where(value >= scale.high, np.inf, value + half - centre)
    return GradedScores(
        lower=lower,
        upper=upper,
        X=full,
        groups=Groups.of(scores.load[order]),
        priors=priors,
    )


def draw_graded(
    scores: GradedScores,
    *,
    n_draws: int,
    rng: np.random.Generator,
) -> ClarityPosterior:
    """Return equally weighted draws, by importance where it holds, else by chains."""
    start = np.zeros(scores.X.shape[1] + 2)
    mode = find_mode(scores.log_density_and_gradient, start)
    sample = sample_by_importance(scores.log_density, mode, n_draws, rng=rng)
    if is_trusted(sample.pareto_k, sample.effective_size):
        return ClarityPosterior(
            draws=scores.draws(sample.points),
            effective_draws=sample.effective_size,
        )
    chains = sample_by_chains(
        scores.log_density_and_gradient, sample.points[:_CHAINS], rng=rng
    )
    kept = chains.take(n_draws, rng=rng)
    return ClarityPosterior(draws=scores.draws(kept), effective_draws=chains.effective_size)
