"""Adaptive importance sampling: each round proposes from what all rounds have seen.

With thirty parameters the curvature at the mode is a fair but not a good guide.
Every round adds a multivariate t with the weighted mean and covariance so far,
drawn towards the mode's own while few draws count; all draws are weighted
against the mixture of all proposals (Cornuet, Marin, Mira and Robert 2012,
Scand. J. Stat. 39, 798-812).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp

from firelab.fits.sampling.importance import effective_size, resample, smooth_weights
from firelab.fits.sampling.mode import Mode

FloatArray = NDArray[np.float64]

TRUSTED_K = 0.7
"""Pareto k above which importance weights are not trusted (Vehtari et al. 2024)."""

_FREEDOM = 8.0
_ROUNDS = (2000, 2000, 2000, 4000, 4000, 6000)
_FEWEST_ROUNDS = 2
_WORTH = 1000.0
_GOOD_K = 0.55
_ENOUGH_ROUNDS = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AdaptedSample:
    """Equally weighted draws and how far to trust them.

    Attributes
    ----------
    points : ndarray, shape (S, q)
    pareto_k : float
        Below `TRUSTED_K` the draws can be trusted.
    effective_size : float
        Independent draws that the weighted ones are worth.
    """

    points: FloatArray
    pareto_k: float
    effective_size: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Proposal:
    centre: FloatArray
    root: FloatArray
    """Lower Cholesky factor of the scale matrix."""

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size=(count, 1)))
        normal = rng.standard_normal((count, self.centre.size))
        return np.asarray(self.centre + stretch * (normal @ self.root.T))

    def log_density(self, points: FloatArray) -> FloatArray:
        q = self.centre.size
        far = np.linalg.solve(self.root, (points - self.centre).T)
        log_scale = np.log(np.diag(self.root)).sum() + 0.5 * q * np.log(_FREEDOM * np.pi)
        constant = gammaln(0.5 * (_FREEDOM + q)) - gammaln(0.5 * _FREEDOM) - log_scale
        tail = np.log1p((far**2).sum(axis=0) / _FREEDOM)
        return np.asarray(constant - 0.5 * (_FREEDOM + q) * tail)


def sample_adaptively(
    log_density: Callable[[FloatArray], FloatArray],
    mode: Mode,
    count: int,
    *,
    rng: np.random.Generator,
) -> AdaptedSample:
    """Draw equally weighted points of a posterior around its mode.

    Parameters
    ----------
    log_density : callable
        Takes (M, q) points, returns log densities (M,).
    mode : Mode
        Where to begin, and the curvature there.
    count : int
        Draws wanted, S.
    rng : numpy.random.Generator

    Returns
    -------
    AdaptedSample
        More rounds are spent where the weights are not trusted after the first.
    """
    own = np.asarray(np.linalg.inv(mode.precision), dtype=float)
    proposals = [_Proposal(centre=mode.point, root=_root(own))]
    points, target = np.empty((0, mode.point.size)), np.empty(0)
    log_weights, k = np.empty(0), np.inf
    for done, size in enumerate(_ROUNDS, start=1):
        drawn = proposals[-1].draw(size, rng)
        points = np.vstack([points, drawn])
        target = np.concatenate([target, log_density(drawn)])
        shares = np.log(np.array(_ROUNDS[:done]) / len(points))
        mixture = [
            share + one.log_density(points)
            for share, one in zip(shares, proposals, strict=True)
        ]
        log_weights, k = smooth_weights(target - logsumexp(mixture, axis=0))
        worth = effective_size(log_weights)
        wanted_k = _GOOD_K if done < _ENOUGH_ROUNDS else TRUSTED_K
        if done >= _FEWEST_ROUNDS and k <= wanted_k and worth >= _WORTH:
            break
        proposals.append(_adapted(points, np.exp(log_weights), worth, mode, own))
    return AdaptedSample(
        points=points[resample(log_weights, count, rng=rng)],
        pareto_k=float(k),
        effective_size=float(effective_size(log_weights)),
    )


def _adapted(
    points: FloatArray, weights: FloatArray, worth: float, mode: Mode, own: FloatArray
) -> _Proposal:
    mean = weights @ points
    centred = points - mean
    covariance = (weights[:, None] * centred).T @ centred
    trust = worth / (worth + 3.0 * mean.size)
    mixed = trust * covariance + (1.0 - trust) * own
    centre = trust * mean + (1.0 - trust) * mode.point
    return _Proposal(centre=centre, root=_root(mixed))


def _root(covariance: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.cholesky(covariance), dtype=float)
