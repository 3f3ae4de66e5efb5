r"""The posterior of the clarity regression: exact but for two dimensions.

Given the two standard deviations, intercept and coefficients are normal and
integrate out in closed form. What is left, the density of the load sd
:math:`u` and the residual sd :math:`s`, is tabulated on a grid that closes in
on its mass; draws come from the grid, moved within their cells and resampled
by the exact density. Whole-step scores add :math:`\mathrm{step}^2/12` to the
residual variance (Sheppard), which keeps the posterior proper however few the
tiles, and however alike. The priors are wide against what scores do, and proper:
a fit with no fused tile at all returns them unchanged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from firelab.arrays import FloatArray
from firelab.fits.clarity.maturity import ClarityColumn, ClarityDraws
from firelab.fits.clarity.regression import ScoreColumns
from firelab.fits.sampling.importance import effective_size, resample
from firelab.series.declared_parts import PriorSpecification
from firelab.series.responses import TransparencyResponse

_INTERCEPT_SHARE = 0.5
"""Prior sd of the score at the centre of the series, over the range of the score:
anywhere on it (chosen here, no source)."""
_BASE_TIMES = 1.4
"""Prior sd of one base against another, over that of half a factor's range: two
independent bases differ by the square root of 2 (chosen here, no source)."""
_PRODUCT_TIMES = 0.5
"""Prior sd of a product, over that of half a factor's range (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityPriors:
    """Independent priors, in units of the score.

    Attributes
    ----------
    mean, sd : ndarray, shape (1 + p,)
        Of intercept and coefficients, normal.
    load_scale, residual_scale : float
        Of the standard deviations between loads and between tiles of one
        load, half-normal.
    rounding : float
        Variance that writing a score in whole steps adds: step^2 / 12.
    """

    mean: FloatArray
    sd: FloatArray
    load_scale: float
    residual_scale: float
    rounding: float

    def lines(self) -> tuple[str, ...]:
        """Return the priors in words, one line each."""
        effects = sorted({float(f"{sd:.3g}") for sd in self.sd[1:]})
        spreads = ", ".join(f"{sd:g}" for sd in effects) or "none"
        return (
            f"score at the centre of the series: normal, mean {self.mean[0]:g}, "
            f"sd {self.sd[0]:g}",
            "effects on the score per half range of a factor, half of the target stage, "
            f"per base, or of a product: normal, mean 0, sd {spreads}",
            f"sd between loads: half-normal, scale {self.load_scale:g}",
            f"sd between tiles of a load: half-normal, scale {self.residual_scale:g}",
        )


def clarity_priors(
    scale: TransparencyResponse,
    stated: PriorSpecification,
    columns: Sequence[ClarityColumn],
) -> ClarityPriors:
    """Return the priors for the columns of a model, as shares of the score's range.

    Parameters
    ----------
    scale : TransparencyResponse
        Fixes the range and the step of the score.
    stated : PriorSpecification
        The series' ``[priors]``.
    columns : sequence of ClarityColumn

    Examples
    --------
    >>> from firelab.series.terms import TEMPERATURE, ModelColumn
    >>> columns = [TEMPERATURE, ModelColumn(powers=(("temperature", 2),))]
    >>> priors = clarity_priors(TransparencyResponse(), PriorSpecification(), columns)
    >>> priors.mean.tolist(), priors.sd.tolist()
    ([5.0, 0.0, 0.0], [5.0, 2.5, 1.25])
    """
    width = scale.high - scale.low
    effects = [stated.clarity_effect * _times(column) for column in columns]
    mean = np.zeros(1 + len(effects))
    mean[0] = (scale.low + scale.high) / 2
    return ClarityPriors(
        mean=mean,
        sd=width * np.array([_INTERCEPT_SHARE, *effects]),
        load_scale=width * stated.clarity_load_sd,
        residual_scale=width * stated.clarity_tile_sd,
        rounding=scale.step**2 / 12,
    )


def _times(column: ClarityColumn) -> float:
    if column.is_product:
        return _PRODUCT_TIMES
    return _BASE_TIMES if column.base is not None else 1.0


_CELLS = 40
"""Cells of the grid along each sd; draws are reweighted by the exact density, so that
a coarse grid costs draws, not truth (chosen here, no source)."""
_CLOSINGS = 6
"""Times that the grid may close in on the mass (chosen here, no source)."""
_NEGLIGIBLE = 14.0
"""Fall of the log density below its peak where a cell holds nothing: e^-14 is one in a
million (chosen here, no source)."""
_WIDEST = 8.0
"""Prior scales that the first grid reaches: a half-normal holds 1e-15 beyond them."""
_CLOSED = 0.8
"""Share of both sides of the grid above which closing in further gains nothing (chosen
here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoreSums:
    """All that the likelihood needs of n scores in G loads.

    Attributes
    ----------
    n : int
    squares : ndarray, shape (p + 2, p + 2)
        Cross products of intercept, columns and score (less its prior mean).
    sums : ndarray, shape (G, p + 2)
        Their sums by load.
    sizes : ndarray, shape (G,)
        Tiles per load.
    """

    n: int
    squares: FloatArray
    sums: FloatArray
    sizes: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityPosterior:
    """Draws, and how many independent ones their variances are worth."""

    draws: ClarityDraws
    effective_draws: float


def score_sums(scores: ScoreColumns, priors: ClarityPriors) -> ScoreSums:
    """Return the sums of scores and columns, the prior means taken off the scores."""
    regressors = np.column_stack([np.ones(len(scores.score)), scores.X])
    left = scores.score - regressors @ priors.mean
    everything = np.column_stack([regressors, left])
    sums = np.zeros((scores.n_loads, everything.shape[1]))
    np.add.at(sums, scores.load, everything)
    return ScoreSums(
        n=len(scores.score),
        squares=everything.T @ everything,
        sums=sums,
        sizes=np.bincount(scores.load, minlength=scores.n_loads).astype(float),
    )


def _weighted(
    data: ScoreSums, priors: ClarityPriors, load_sd: FloatArray, residual_sd: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Cross products weighted by V^-1, shape (m, p + 2, p + 2), and ln |V|, (m,)."""
    variance = residual_sd**2 + priors.rounding
    ratio = load_sd[:, None] ** 2 / variance[:, None]
    grown = 1.0 + ratio * data.sizes
    outer = data.sums[:, :, None] * data.sums[:, None, :]
    pulled = np.tensordot(ratio / grown, outer, axes=1)
    weighted = (data.squares - pulled) / variance[:, None, None]
    return weighted, np.log(grown).sum(axis=1) + data.n * np.log(variance)


def _coefficient_posterior(
    weighted: FloatArray, priors: ClarityPriors
) -> tuple[FloatArray, FloatArray]:
    """Cholesky factors of the precision, (m, k, k), and half-solved scores, (m, k)."""
    precision = weighted[:, :-1, :-1] + np.diag(1.0 / priors.sd**2)
    factor = np.linalg.cholesky(precision)
    half = np.linalg.solve(factor, weighted[:, :-1, -1:])[:, :, 0]
    return np.asarray(factor, dtype=float), np.asarray(half, dtype=float)


def log_density(
    data: ScoreSums, priors: ClarityPriors, load_sd: FloatArray, residual_sd: FloatArray
) -> FloatArray:
    """Return the log posterior density of the two sds, shape (m,), up to a constant.

    Intercept and coefficients are integrated out. The constant is that of the
    two half-normal priors.
    """
    weighted, log_determinant = _weighted(data, priors, load_sd, residual_sd)
    factor, half = _coefficient_posterior(weighted, priors)
    diagonal = np.diagonal(factor, axis1=1, axis2=2)
    volume = np.log(diagonal).sum(axis=1) + np.log(priors.sd).sum()
    misfit = weighted[:, -1, -1] - (half**2).sum(axis=1)
    likelihood = -0.5 * (data.n * np.log(2 * np.pi) + log_determinant + misfit) - volume
    prior = (load_sd / priors.load_scale) ** 2 + (residual_sd / priors.residual_scale) ** 2
    return np.asarray(likelihood - 0.5 * prior)


def draw_clarity(
    data: ScoreSums,
    priors: ClarityPriors,
    *,
    n_draws: int,
    rng: np.random.Generator,
) -> ClarityPosterior:
    """Return equally weighted draws of the whole posterior."""
    corners, sides, log_cell = _closed_grid(data, priors)
    cells = resample(log_cell - log_cell.max(), 2 * n_draws, rng=rng)
    points = corners[cells] + sides * rng.random((cells.size, 2))
    exact = log_density(data, priors, points[:, 0], points[:, 1]) - log_cell[cells]
    log_weights = exact - logsumexp(exact)
    kept = points[resample(log_weights, n_draws, rng=rng)]
    weighted, _ = _weighted(data, priors, kept[:, 0], kept[:, 1])
    factor, half = _coefficient_posterior(weighted, priors)
    normal = rng.standard_normal(half.shape)
    upper = np.swapaxes(factor, 1, 2)
    moved = np.linalg.solve(upper, (half + normal)[:, :, None])[:, :, 0] + priors.mean
    draws = ClarityDraws(
        intercept=moved[:, 0],
        coefficients=moved[:, 1:],
        load_sd=kept[:, 0],
        residual_sd=kept[:, 1],
    )
    return ClarityPosterior(draws=draws, effective_draws=effective_size(log_weights) / 2)


def _closed_grid(
    data: ScoreSums, priors: ClarityPriors
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lower corners, sides and log density at the centres of the grid's cells."""
    low = np.zeros(2)
    high = _WIDEST * np.array([priors.load_scale, priors.residual_scale])
    for _ in range(_CLOSINGS):
        sides = (high - low) / _CELLS
        steps = np.indices((_CELLS, _CELLS)).reshape(2, -1).T
        corners = low + steps * sides
        centre = corners + sides / 2
        level = log_density(data, priors, centre[:, 0], centre[:, 1])
        with_mass = level > level.max() - _NEGLIGIBLE
        nearer_low = np.maximum(corners[with_mass].min(axis=0) - sides, 0.0)
        nearer_high = corners[with_mass].max(axis=0) + 2 * sides
        if ((nearer_high - nearer_low) > _CLOSED * (high - low)).all():
            break
        low, high = np.maximum(low, nearer_low), np.minimum(high, nearer_high)
    return corners, sides, level
