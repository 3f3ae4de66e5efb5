r"""Pareto-smoothed importance weights and their diagnostic.

The largest weights are replaced by quantiles of a generalised Pareto
distribution fitted to them; its shape :math:`k` tells how far the weights can
be trusted (Vehtari, Simpson, Gelman, Yao and Gabry 2024, J. Mach. Learn. Res.
25(72)). The fit is the empirical Bayes estimate of Zhang and Stephens (2009,
Technometrics 51, 316-325).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

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
