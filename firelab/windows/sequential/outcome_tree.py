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

from dataclasses import dataclass

import numpy as np

from firelab.arrays import FloatArray, IntArray
from firelab.fits.ordinal.likelihood import normal_points
from firelab.fits.ordinal.links import LARGEST_EXPONENT, Link, link_named
from firelab.fits.ordinal.stage_draws import StageDraws

LOAD_POINTS = 5
"""Points of the average over a load's effect."""
_TILE_POINTS = 11
"""Points of the average over a new tile's own deviation; 1e-4 of a probability (a test
holds it so)."""
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
    # Without a deviation between tiles one point, at 0, is the whole average.
    own = np.hypot(draws.tile_sd, draws.place_sd)
    points, weights = normal_points(_TILE_POINTS if own.any() else 1)
    cuts = cuts_with_load(draws, draws.linear(X))
    share = np.broadcast_to(weights, (*cuts.shape[:2], len(points)))
    below = mean_below(link_named(draws.link), cuts, own[:, None] * points, share)
    return grade_differences(below)


def cuts_with_load(draws: StageDraws, eta: FloatArray) -> FloatArray:
    """Return the cuts between grades about eta (S, n) and a load's effect, (S, n, C, Q)."""
    load_points, _ = normal_points(LOAD_POINTS)
    cuts = draws.thresholds[:, None, :, None] - eta[:, :, None, None]
    return cuts - (draws.load_sd[:, None] * load_points)[:, None, None, :]


_AT_ONCE = 1 << 14
"""Cuts that are averaged together, so that what is passed over once a point stays in the
processor's cache; two thirds of the time of all 400 draws at once (measured here)."""


def mean_below(
    link: Link, cuts: FloatArray, moves: FloatArray, share: FloatArray
) -> FloatArray:
    """Return the mean of F(cuts - move) over moves (S, P) with shares (S, n, P).

    The logistic of a difference needs no exponential of its own: ``1 / (1 + c / m)`` is
    ``m / (m + c)``, with one factor of the cut and one of the move.
    """
    below = np.zeros_like(cuts)
    limit = LARGEST_EXPONENT
    step = max(1, _AT_ONCE // max(1, cuts[:1].size))
    for first in range(0, len(cuts), step):
        block = slice(first, first + step)
        cut, move = cuts[block], moves[block, :, None, None, None]
        if link.name == "logit":
            grown = np.exp(np.clip(-cut, -limit, limit))
            factors = np.exp(np.clip(-move, -limit, limit))
            odds = np.empty_like(grown)
        for at in range(moves.shape[1]):
            part = share[block, :, at, None, None]
            if link.name == "logit":
                factor = factors[:, at]
                np.add(grown, factor, out=odds)
                below[block] += np.divide(part * factor, odds, out=odds)
            else:
                below[block] += part * link.cdf(cut - move[:, at])
    return below


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
