r"""Importance resampling of a log posterior from a multivariate t.

A first sample from a t at the mode tells where the posterior's mass really is
(it is skewed where tiles are few); the second sample is from a mixture of that t
and one with the first sample's own mean and covariance.

Pareto-smoothed importance weights and their diagnostic.

The largest weights are replaced by quantiles of a generalised Pareto
distribution fitted to them; its shape :math:`k` tells how far the weights can
be trusted (Vehtari, Simpson, Gelman, Yao and Gabry 2024, J. Mach. Learn. Res.
25(72)). The fit is the empirical Bayes estimate of Zhang and Stephens (2009,
Technometrics 51, 316-325).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp

from firelab.fits.sampling.mode import Mode

FloatArray = NDArray[np.float64]

_FEWEST_TAIL = 5


def fit_pareto_tail(excesses: FloatArray) -> tuple[float, float]:
    """Fit a generalised Pareto distribution to positive excesses.

    Parameters
    ----------
    excesses : ndarray, shape (m,)
        Amounts above the threshold.

    Returns
    -------
    tuple of (float, float)
        Shape k, drawn towards 0.5 as by ten further excesses, and scale.
    """
    x = np.sort(np.asarray(excesses, dtype=float))
    m = x.size
    count = 30 + int(np.sqrt(m))
    quarter = x[int(m / 4.0 + 0.5) - 1]
    grid = 1.0 / x[-1] + (1.0 - np.sqrt(count / (np.arange(1, count + 1) - 0.5))) / (
        3.0 * quarter
    )
    shapes = np.log1p(-grid[:, None] * x).mean(axis=1)
    logs = m * (np.log(-grid / shapes) - shapes - 1.0)
    weights = np.exp(logs - logsumexp(logs))
    rate = float(weights @ grid)
    shape = float(np.log1p(-rate * x).mean())
    scale = -shape / rate
    return (m * shape + 5.0) / (m + 10.0), scale


def smooth_weights(log_ratios: FloatArray) -> tuple[FloatArray, float]:
    """Smooth importance ratios; return normalised log weights and Pareto k.

    Parameters
    ----------
    log_ratios : ndarray, shape (M,)
        Log target minus log proposal density.

    Returns
    -------
    tuple of (ndarray, float)
        Log weights that sum to one on the natural scale, and k; infinite
        where there is no tail to fit.
    """
    logs = log_ratios - np.max(log_ratios)
    total = logs.size
    tail = min(int(0.2 * total), int(3.0 * np.sqrt(total)))
    if tail < _FEWEST_TAIL:
        return logs - logsumexp(logs), np.inf
    order = np.argsort(logs)
    cutoff = max(logs[order[-tail - 1]], -700.0)
    kept = order[-tail:]
    excesses = np.exp(logs[kept]) - np.exp(cutoff)
    if not excesses[-1] > 0.0 or np.unique(excesses).size < _FEWEST_TAIL:
        return logs - logsumexp(logs), (-np.inf if np.ptp(logs) < 1e-12 else np.inf)
    shape, scale = fit_pareto_tail(np.maximum(excesses, np.finfo(float).tiny))
    if np.isfinite(shape):
        chance = (np.arange(tail) + 0.5) / tail
        grown = (
            scale * np.expm1(-shape * np.log1p(-chance)) / shape
            if abs(shape) > 1e-12
            else -scale * np.log1p(-chance)
        )
        logs = logs.copy()
        logs[kept] = np.minimum(np.log(grown + np.exp(cutoff)), 0.0)
    return logs - logsumexp(logs), float(shape)


def effective_size(log_weights: FloatArray) -> float:
    """Return the effective number of draws of normalised log weights."""
    return float(np.exp(-logsumexp(2.0 * log_weights)))


def resample(
    log_weights: FloatArray, count: int, *, rng: np.random.Generator
) -> NDArray[np.int64]:
    """Draw `count` places by systematic resampling, in random order."""
    ends = np.cumsum(np.exp(log_weights))
    marks = (np.arange(count) + rng.random()) / count * ends[-1]
    places = np.minimum(np.searchsorted(ends, marks), log_weights.size - 1)
    return np.asarray(rng.permutation(places), dtype=np.int64)


_FREEDOM = 5.0
_FIRST_SHARE = 0.5
_SECOND_SHARE = 1.5
_FEWEST = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImportanceSample:
    """Equally weighted draws and how far to trust them.

    Attributes
    ----------
    points : ndarray, shape (S, q)
    pareto_k : float
        Below 0.7 the draws can be trusted.
    effective_size : float
    """

    points: FloatArray
    pareto_k: float
    effective_size: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _StudentT:
    centre: FloatArray
    root: FloatArray
    """Lower Cholesky factor of the scale matrix."""

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        normal = rng.standard_normal((count, self.centre.size))
        stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size=count))
        return np.asarray(self.centre + stretch[:, None] * (normal @ self.root.T))

    def log_density(self, points: FloatArray) -> FloatArray:
        q = self.centre.size
        scaled = np.linalg.solve(self.root, (points - self.centre).T)
        squared = (scaled**2).sum(axis=0)
        constant = (
            gammaln(0.5 * (_FREEDOM + q))
            - gammaln(0.5 * _FREEDOM)
            - 0.5 * q * np.log(_FREEDOM * np.pi)
            - np.log(np.diag(self.root)).sum()
        )
        return np.asarray(constant - 0.5 * (_FREEDOM + q) * np.log1p(squared / _FREEDOM))


def sample_by_importance(
    log_density: Callable[[FloatArray], FloatArray],
    mode: Mode,
    count: int,
    *,
    rng: np.random.Generator,
) -> ImportanceSample:
    """Draw `count` equally weighted points of a posterior around its mode."""
    root = np.linalg.cholesky(np.linalg.inv(mode.precision))
    around_mode = _StudentT(centre=mode.point, root=root)
    n_first = max(_FEWEST, int(_FIRST_SHARE * count))
    n_second = max(2 * _FEWEST, int(_SECOND_SHARE * count))
    first = around_mode.draw(n_first, rng)
    first_target = log_density(first)
    weights, _ = smooth_weights(first_target - around_mode.log_density(first))
    adapted = _adapt(first, np.exp(weights), around_mode)
    second = adapted.draw(n_second, rng)
    points = np.vstack([first, second])
    target = np.concatenate([first_target, log_density(second)])
    share = n_first / (n_first + n_second)
    proposal = np.logaddexp(
        np.log(share) + around_mode.log_density(points),
        np.log1p(-share) + adapted.log_density(points),
    )
    log_weights, k = smooth_weights(target - proposal)
    return ImportanceSample(
        points=points[resample(log_weights, count, rng=rng)],
        pareto_k=k,
        effective_size=effective_size(log_weights),
    )


def _adapt(points: FloatArray, weights: FloatArray, fallback: _StudentT) -> _StudentT:
    """Return a t with the mean and covariance of a weighted sample."""
    mean = weights @ points
    centred = points - mean
    covariance = (weights[:, None] * centred).T @ centred
    own = fallback.root @ fallback.root.T
    mixed: FloatArray = 0.9 * covariance + 0.1 * own
    try:
        return _StudentT(centre=mean, root=np.asarray(np.linalg.cholesky(mixed)))
    except np.linalg.LinAlgError:
        return fallback
