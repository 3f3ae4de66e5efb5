r"""Importance resampling of a log posterior from a multivariate t.

A first sample from a t at the mode tells where the posterior's mass really is
(it is skewed where tiles are few); the second sample is from a mixture of that t
and one with the first sample's own mean and covariance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from firelab.fits.stage_posterior_mode import Mode
from firelab.fits.stage_posterior_pareto import effective_size, resample, smooth_weights

FloatArray = NDArray[np.float64]

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
