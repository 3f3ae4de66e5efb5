r"""What a load of tiles would leave of the edges' variance, by its outcomes.

With few tiles the posterior is far from normal, so nothing is expanded: every
outcome of a load's tiles is followed. The draws :math:`s` of
the posterior are reweighted by the probability of the grades :math:`y` under
each, the load's own effect averaged by quadrature, and what is expected is

.. math:: \sum_y p(y)\, \mathrm{Var}(e \mid y), \quad
   p(y) = \frac1S \sum_s p_s(y)

for every edge :math:`e` (Lindley 1956, Ann. Math. Statist. 27, 986-1005, for the
expectation over outcomes). Where the outcomes become many, an even sample of them
by their probability is followed on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from firelab.arrays import FloatArray, IntArray
from firelab.fits.ordinal.likelihood import normal_points
from firelab.fits.ordinal.stage_draws import StageDraws

LOAD_POINTS = 5
"""Points of the average over a load's effect."""
_MOST_OUTCOMES = 32
"""Outcomes that are followed on; with 32 of 729 the expected variance is within a
twentieth (a test holds it so)."""
_LEAST_CHANCE = 1e-12
"""Below this an outcome counts nothing (a rounding error)."""


def grade_probabilities(draws: StageDraws, X: FloatArray) -> FloatArray:
    """Return the chance of each grade of a new tile at some settings.

    The load's effect is left open; the tile's own, where the fit has one, is
    averaged: two tiles of a load share the first and not the second.

    Parameters
    ----------
    draws : StageDraws
        S draws.
    X : ndarray, shape (n, p)
        Coded columns.

    Returns
    -------
    ndarray, shape (S, n, J, Q)
        Under each draw and at each of Q points of the load's effect.
    """
    apart = replace(draws, load_sd=np.zeros_like(draws.load_sd))
    return grade_differences(apart.cumulative(cuts_with_load(draws, draws.linear(X))))


def cuts_with_load(draws: StageDraws, eta: FloatArray) -> FloatArray:
    """Return the cuts between grades about eta (S, n) and a load's effect, (S, n, C, Q)."""
    load_points, _ = normal_points(LOAD_POINTS)
    cuts = draws.thresholds[:, None, :, None] - eta[:, :, None, None]
    return cuts - (draws.load_sd[:, None] * load_points)[:, None, None, :]


def grade_differences(below: FloatArray) -> FloatArray:
    """Return the chance of each grade, shape (S, n, J, Q), from those up to each cut."""
    ends = [np.zeros_like(below[:, :, :1]), below, np.ones_like(below[:, :, :1])]
    return np.diff(np.concatenate(ends, axis=2), axis=2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcomes:
    """Outcomes of the tiles so far, each a grade of every tile, W of them.

    Attributes
    ----------
    chance : ndarray, shape (W,)
        Of each outcome; they sum to 1.
    joint : ndarray, shape (S, W, Q)
        Each outcome's weight on draw and load effect; sums to 1 over draws and
        effects.
    """

    chance: FloatArray
    joint: FloatArray

    @classmethod
    def before_any(cls, count: int) -> Outcomes:
        """Return the one outcome before any tile: S draws, each as likely."""
        _, weights = normal_points(LOAD_POINTS)
        joint = np.broadcast_to(weights / count, (count, 1, LOAD_POINTS))
        return cls(chance=np.ones(1), joint=np.array(joint))

    def next_load(self) -> Outcomes:
        """Return the outcomes with the load closed and a new one begun."""
        _, weights = normal_points(LOAD_POINTS)
        by_draw = self.joint.sum(axis=2)
        return Outcomes(chance=self.chance, joint=by_draw[:, :, None] * weights)

    def with_tile(self, chances: FloatArray) -> Outcomes:
        """Return the outcomes with one more tile in the load.

        Parameters
        ----------
        chances : ndarray, shape (S, J, Q)
            Of its grades.
        """
        grown = self.joint[:, :, None, :] * chances[:, None]
        grown = grown.reshape(len(grown), -1, grown.shape[3])
        each = grown.sum(axis=(0, 2))
        chance = each * np.repeat(self.chance, chances.shape[1])
        kept = _even_sample(chance, _MOST_OUTCOMES)
        joint = grown[:, kept] / np.maximum(each[kept], _LEAST_CHANCE)[None, :, None]
        if len(kept) == len(chance):
            return Outcomes(chance=chance, joint=joint)
        return Outcomes(chance=np.full(len(kept), 1.0 / len(kept)), joint=joint)

    def variance(self, edges: FloatArray) -> FloatArray:
        """Return the expected variance of edges, shape (S, E) of draws, as (E,)."""
        by_draw = self.joint.sum(axis=2)[:, :, None, None]
        return np.asarray(_spread(by_draw, self.chance, edges)[0])

    def variance_with_each(self, chances: FloatArray, edges: FloatArray) -> FloatArray:
        """Return the expected variance of edges with each of n tiles added.

        Parameters
        ----------
        chances : ndarray, shape (S, n, J, Q)
        edges : ndarray, shape (S, E)

        Returns
        -------
        ndarray, shape (n, E)
        """
        count, n, J, Q = chances.shape
        flat = chances.reshape(count, n * J, Q)
        weight = self.joint @ np.swapaxes(flat, 1, 2)
        return _spread(weight.reshape(count, -1, n, J), self.chance, edges)


def _spread(weight: FloatArray, chance: FloatArray, edges: FloatArray) -> FloatArray:
    """Average the variance of edges over outcomes, for n tiles.

    Parameters
    ----------
    weight : ndarray, shape (S, W, n, J)
        Unscaled weight of each draw; its sum over draws is the chance of the
        last grade given the outcome before.
    chance : ndarray, shape (W,)
        Of the outcome before.
    edges : ndarray, shape (S, E)
    """
    count, *outcomes = weight.shape
    # About their mean, so that the difference of two large sums is not taken.
    centred = edges - edges.mean(axis=0)
    E = edges.shape[1]
    moments = np.column_stack([np.ones(count), centred, centred**2])
    sums = (moments.T @ weight.reshape(count, -1)).reshape(2 * E + 1, *outcomes)
    total = np.maximum(sums[0], _LEAST_CHANCE)
    variance = sums[E + 1 :] / total - (sums[1 : E + 1] / total) ** 2
    return np.asarray(np.einsum("w,ewnj->ne", chance, sums[0] * variance))


def _even_sample(chance: FloatArray, most: int) -> IntArray:
    """Return all places, or `most` of them evenly by their chance."""
    if len(chance) <= most:
        return np.arange(len(chance))
    reached = np.cumsum(chance) / chance.sum()
    wanted = (np.arange(most) + 0.5) / most
    return np.minimum(np.searchsorted(reached, wanted), len(chance) - 1)
