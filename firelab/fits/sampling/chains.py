r"""Hamiltonian Monte Carlo, many short chains at once.

All chains move together, so one call of the density serves them all. They
start from draws of an importance sample, which need not be good: the step is
tuned by dual averaging (Hoffman and Gelman 2014), the metric from the chains'
own spread, and :math:`\hat R` over the halves of all chains (Gelman et al. 2013,
section 11.4) tells whether they have mixed.

A trajectory is chaotic: a last digit that another processor adds up otherwise would
grow until the draws are others. So what steers it is rounded to a coarse grid, which
swallows such digits. Any force that is a function of the place alone leaves the leapfrog
reversible and volume-preserving (Neal 2011, section 5.4); whether a move is accepted
is decided by the density itself, so the draws are as right as before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.fits.sampling.importance import ValueAndGradient

_WARM_ROUNDS, _WARM_STEPS = 5, 40
"""Rounds after which the metric is learned anew, and moves in each (chosen here, no
source)."""
_KEPT_STEPS, _MOST_ROUNDS = 100, 5
"""Moves kept between two looks at R-hat, and such rounds at most (chosen here, no
source)."""
MIXED = 1.05
"""R-hat below which the chains agree; until then they go on, five rounds at most."""
_MOST_LEAPS, _LONGEST_TIME = 16, 1.8
"""Leapfrog steps of a move at most, and the length of its path: about a quarter of the
period of a standard normal, pi / 2 (Neal 2011, Handbook of MCMC, section 5.3)."""
_WANTED_ACCEPTANCE = 0.8
"""Of dual averaging (Hoffman & Gelman 2014, J. Mach. Learn. Res. 15, section 4.2)."""
_OWN_SHARE = 0.1
"""Share of the diagonal in the metric, while the chains are few against the
coordinates (chosen here, no source)."""
_NEGLIGIBLE_CORRELATION = 0.02
"""Autocorrelation that ends the sum of lags (chosen here, no source)."""
_GRID = 2.0**-9
"""Grid of forces, metric, step and starts: 1e10 times the digits that differ between
processors (1e-13), and a hundredth of what moves a chain (chosen here)."""


def _on_grid(values: ArrayLike) -> FloatArray:
    return np.asarray(np.round(np.asarray(values, dtype=float) / _GRID) * _GRID)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChainSample:
    """Draws of many chains and how well they mixed.

    Attributes
    ----------
    points : ndarray, shape (K, C, d)
        K kept steps of C chains.
    r_hat : float
        Largest over the coordinates; near 1 where the chains agree.
    effective_size : float
        Smallest over the coordinates.
    acceptance : float
        Mean share of accepted moves.
    """

    points: FloatArray
    r_hat: float
    effective_size: float
    acceptance: float

    @property
    def flat(self) -> FloatArray:
        """All kept draws, shape (K * C, d)."""
        return self.points.reshape(-1, self.points.shape[-1])

    def take(self, count: int, *, rng: np.random.Generator) -> FloatArray:
        """Return at most `count` of the draws in random order, shape (S, d)."""
        return self.flat[rng.permutation(len(self.flat))[:count]]


@dataclass(slots=True, kw_only=True, eq=False)
class _Chains:
    """The moving state: where all chains are."""

    density: ValueAndGradient
    points: FloatArray
    values: FloatArray
    slopes: FloatArray
    root: FloatArray
    """Lower Cholesky factor of the metric's covariance."""

    def _value_and_force(self, place: FloatArray) -> tuple[FloatArray, FloatArray]:
        value, slope = self.density(place)
        return value, _on_grid(slope)

    def move(self, step: float, rng: np.random.Generator) -> FloatArray:
        """Move every chain once; return the acceptance probabilities."""
        momentum = rng.standard_normal(self.points.shape)
        leaps = 1 + int(rng.random() * min(_MOST_LEAPS, _LONGEST_TIME / step))
        place, slope = self.points, self.slopes
        energy = self.values - 0.5 * (momentum**2).sum(axis=1)
        speed = momentum + 0.5 * step * slope @ self.root
        value = self.values
        # A step that is still too long throws a chain anywhere: it is refused below.
        with np.errstate(all="ignore"):
            for leap in range(leaps):
                place = place + step * speed @ self.root.T
                value, slope = self._value_and_force(place)
                length = step if leap < leaps - 1 else 0.5 * step
                speed = speed + length * slope @ self.root
            change = value - 0.5 * (speed**2).sum(axis=1) - energy
        change = np.where(np.isfinite(change), change, -np.inf)
        chance = np.exp(np.minimum(change, 0.0))
        taken = rng.random(chance.size) < chance
        self.points = np.where(taken[:, None], place, self.points)
        self.values = np.where(taken, value, self.values)
        self.slopes = np.where(taken[:, None], slope, self.slopes)
        return np.asarray(chance)


def sample_by_chains(
    density: ValueAndGradient,
    starts: FloatArray,
    *,
    rng: np.random.Generator,
    enough: float = np.inf,
) -> ChainSample:
    """Sample a log posterior by chains from given starts.

    Parameters
    ----------
    density : callable
        Takes (C, d) points, returns log densities (C,) and gradients (C, d).
    starts : ndarray, shape (C, d)
        One for each chain; C should be well above d.
    rng : numpy.random.Generator
    enough : float, default inf
        Independent draws at which the chains end although they have not mixed yet.
    """
    points = _on_grid(starts)
    values, slopes = density(points)
    chains = _Chains(
        density=density,
        points=points,
        values=values,
        slopes=_on_grid(slopes),
        root=_metric_root(points[None]),
    )
    step = 0.3
    for _ in range(_WARM_ROUNDS):
        step, seen = _warm_up(chains, step, rng)
        chains.root = _metric_root(seen)
    step, _ = _warm_up(chains, step, rng)
    kept: list[FloatArray] = []
    chances: list[float] = []
    for _ in range(_MOST_ROUNDS):
        for _ in range(_KEPT_STEPS):
            chance = chains.move(step * (0.8 + 0.4 * rng.random()), rng)
            chances.append(float(chance.mean()))
            kept.append(chains.points)
        points = np.stack(kept)
        r_hat, size = mixing(points)
        if r_hat < MIXED or size >= enough:
            break
    return ChainSample(
        points=points,
        r_hat=r_hat,
        effective_size=size,
        acceptance=float(np.mean(chances)),
    )


def _warm_up(
    chains: _Chains, step: float, rng: np.random.Generator
) -> tuple[float, FloatArray]:
    """Tune the step by dual averaging; return it and where the chains went."""
    centre, error, smooth = np.log(5.0 * step), 0.0, np.log(step)
    seen = []
    for count in range(1, _WARM_STEPS + 1):
        accepted = float(_on_grid(chains.move(step, rng).mean()))
        error += (_WANTED_ACCEPTANCE - accepted - error) / (count + 10.0)
        log_step = centre - np.sqrt(count) / 0.05 * error
        weight = count**-0.75
        smooth = weight * log_step + (1.0 - weight) * smooth
        step = float(np.clip(np.exp(log_step), 1e-4, 2.0))
        seen.append(chains.points)
    return float(np.clip(np.exp(smooth), 1e-4, 2.0)), np.stack(seen[_WARM_STEPS // 2 :])


def _metric_root(points: FloatArray) -> FloatArray:
    flat = points.reshape(-1, points.shape[-1])
    covariance = np.atleast_2d(np.cov(flat, rowvar=False))
    own = np.diag(np.maximum(np.diag(covariance), 1e-8))
    root = _on_grid(np.linalg.cholesky((1.0 - _OWN_SHARE) * covariance + _OWN_SHARE * own))
    np.fill_diagonal(root, np.maximum(np.diag(root), _GRID))
    return root


def mixing(points: FloatArray) -> tuple[float, float]:
    """Return the largest split R-hat and the smallest effective size.

    Parameters
    ----------
    points : ndarray, shape (K, C, d)
        K steps of C chains.
    """
    half = len(points) // 2
    split = np.concatenate([points[:half], points[half : 2 * half]], axis=1)
    within = split.var(axis=0, ddof=1).mean(axis=0)
    between = split.mean(axis=0).var(axis=0, ddof=1)
    pooled = (half - 1) / half * within + between
    r_hat = np.sqrt(pooled / within)
    centred = split - split.mean(axis=0)
    total = np.ones_like(within)
    for lag in range(1, half):
        covariance = (centred[lag:] * centred[:-lag]).sum(axis=0).mean(axis=0) / half
        correlation = 1.0 - (within - covariance) / pooled
        if np.all(correlation < _NEGLIGIBLE_CORRELATION):
            break
        total += 2.0 * np.maximum(correlation, 0.0)
    return float(np.max(r_hat)), float(np.min(split[..., 0].size / total))
