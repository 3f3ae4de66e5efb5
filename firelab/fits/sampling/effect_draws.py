r"""Random effects drawn given the parameters, and what the draws weigh.

Few effects are drawn together from a multivariate t around their conditional mode. Of
many, the weight of such a draw is a product of hundreds of ratios and varies without end.
But the groups of one effect are independent given all the others: those of the finest are
drawn one by one given the rest, each a few times over, and the weight takes each group's
mean. The mean of a product of independent means is unbiased, as is that of whole draws.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from scipy.special import logsumexp, ndtri

from firelab.arrays import FloatArray, IntArray
from firelab.fits.sampling.sparse_root import Roots

_TOGETHER = 3
"""Draws of the effects for each point: their mean weight errs less than one's (Tran et
al. 2013), and the costly part, the conditional mode, is shared (chosen here)."""
_FREEDOM = 10.0
"""Degrees of freedom of the effects' proposal: tails heavier than theirs (chosen here)."""
_APART = 4
"""Draws of each group of the finest effect, one from each quarter of its proposal (chosen
here)."""
_NOTHING = -1e300
"""Log of the weight of a draw that the density gives no value: none at all."""


class Conditional(NamedTuple):
    """Random effects given the parameters, as a normal approximation at M points.

    Attributes
    ----------
    mode : ndarray, shape (M, d)
    roots : Roots
        Of the precisions.
    log_marginal : ndarray, shape (M,)
        Log density of the parameters with the effects integrated by Laplace's method.
    """

    mode: FloatArray
    roots: Roots
    log_marginal: FloatArray


class NestedDensity(Protocol):
    """A log density of q parameters and d standard normal scores of random effects."""

    @property
    def finest(self) -> IntArray:
        """Scores, a of them, that are drawn one by one given the rest; none if few."""

    def conditional(self, points: FloatArray, start: FloatArray) -> Conditional:
        """Approximate the effects at (M, q) points, from a start of shape (d,)."""

    def joint(self, points: FloatArray, scores: FloatArray) -> FloatArray:
        """Return the log density, shape (M,), of points and (M, d) scores."""

    def joint_apart(
        self, points: FloatArray, scores: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return what of it each finest score takes part in, (M, a), and the rest, (M,)."""


def draw_effects(
    density: NestedDensity,
    points: FloatArray,
    given: Conditional,
    *,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Draw effects at (M, q) points; return log weights (M,) and scores (M, d)."""
    if density.finest.size:
        return _draw_apart(density, points, given, rng)
    return _draw_together(density, points, given, rng)


def _draw_together(
    density: NestedDensity, points: FloatArray, given: Conditional, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    m, d = given.mode.shape
    log_root = given.roots.log_diagonal.sum(axis=0)
    drawn, ratios = [], []
    for _ in range(_TOGETHER):
        normal = rng.standard_normal((m, d))
        stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size=m))
        own = given.mode + stretch[:, None] * given.roots.turn(normal.T).T
        squared = (normal**2).sum(axis=1) * stretch**2
        log_t = log_root - 0.5 * (_FREEDOM + d) * np.log1p(squared / _FREEDOM)
        ratio = density.joint(points, own) - log_t
        drawn.append(own)
        ratios.append(np.where(np.isfinite(ratio), ratio, _NOTHING))
    table = np.array(ratios)
    chosen = _by_share(table, rng)
    scores = np.array(drawn)[chosen, np.arange(m)]
    return np.asarray(logsumexp(table, axis=0) - np.log(_TOGETHER)), scores


def _draw_apart(
    density: NestedDensity, points: FloatArray, given: Conditional, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    m, d = given.mode.shape
    finest = density.finest
    log_diagonal = given.roots.log_diagonal.T
    normal = rng.standard_normal((m, d))
    scores = given.mode + given.roots.turn(normal.T).T
    narrow = np.exp(-log_diagonal[:, finest])
    centre = scores[:, finest] - narrow * normal[:, finest]
    within = np.clip(rng.random((m, finest.size)), 1e-12, 1.0)
    drawn, ratios = [], []
    rest = np.zeros(m)
    for part in range(_APART):
        # One from each part of the proposal: the part's own place is drawn once.
        place = ndtri((part + within) / _APART - 1e-13)
        scores[:, finest] = centre + narrow * place
        of_group, rest = density.joint_apart(points, scores)
        ratio = of_group + 0.5 * place**2 - log_diagonal[:, finest]
        drawn.append(scores[:, finest].copy())
        ratios.append(np.where(np.isfinite(ratio), ratio, _NOTHING))
    table = np.array(ratios)
    chosen = _by_share(table, rng)
    scores[:, finest] = np.take_along_axis(np.array(drawn), chosen[None], axis=0)[0]
    weight = rest + (logsumexp(table, axis=0) - np.log(_APART)).sum(axis=1)
    others = np.setdiff1d(np.arange(d), finest)
    log_normal = log_diagonal[:, others] - 0.5 * normal[:, others] ** 2
    weight = weight - log_normal.sum(axis=1)
    return np.where(np.isfinite(weight), weight, _NOTHING), scores


def _by_share(table: FloatArray, rng: np.random.Generator) -> IntArray:
    """Draw one of the first axis by its share of the weight (the Gumbel trick)."""
    return np.asarray((table + rng.gumbel(size=table.shape)).argmax(axis=0))
