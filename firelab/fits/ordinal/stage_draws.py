r"""Posterior draws of a stage fit, and what they say of a future tile.

Given its load, a tile is graded at or below :math:`j` with probability
:math:`F(\theta_j - \eta)`. Of a tile in a future load nothing is known but the
spread :math:`\sigma` of loads (and of tiles, where a fit has one), so its
probability is :math:`G(\theta_j - x^\top\beta)` with
:math:`G(t) = \int F(t - \sigma z)\,\phi(z)\,dz`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray, IntArray
from firelab.errors import UsageError
from firelab.fits.ordinal.likelihood import normal_points
from firelab.fits.ordinal.links import LARGEST_EXPONENT, link_named
from firelab.series.terms import ModelColumn

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Draws = TypeVar("Draws", bound="DataclassInstance")

_POINTS = 15
"""Of the average over a future load: within 2e-6 of a probability at 1.5 latent units of
spread, 4e-5 at 2, 8e-4 at 3 (against 180 points)."""
_ROOT_STEPS = 60
"""At most: every third halves the bracket, so that 60 leave a millionth of it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageDraws:
    """Equally weighted posterior draws of a stage fit, S of them.

    Attributes
    ----------
    thresholds : ndarray, shape (S, J - 1)
        Strictly increasing in each draw.
    coefficients : ndarray, shape (S, p)
        Latent units per coded unit, in the order of `columns`.
    load_sd, tile_sd, place_sd : ndarray, shape (S,)
        Latent units, of a future load with its session, of a tile and of the places of
        the rack about their mean; 0 where the fit has no such effect.
    lost : ndarray, shape (S,)
        Times the warming up that a firing loses.
    slip : ndarray, shape (S,)
        Probability that a future look is a slip, which counts where a promise is of what
        will be written (`StagePosterior.of_promise`); 0 where it is of the tile.
    link : str
        Name of the link.
    columns : tuple of ModelColumn
        As `firelab.series.terms.term_columns` gives them, p of them.
    """

    thresholds: FloatArray
    coefficients: FloatArray
    load_sd: FloatArray
    tile_sd: FloatArray
    link: str
    columns: tuple[ModelColumn, ...]
    place_sd: FloatArray = field(default_factory=lambda: np.zeros(1))
    lost: FloatArray = field(default_factory=lambda: np.ones(1))
    slip: FloatArray = field(default_factory=lambda: np.zeros(1))

    @property
    def n_draws(self) -> int:
        """Number of draws, S."""
        return int(self.thresholds.shape[0])

    @property
    def future_sd(self) -> FloatArray:
        """Spread of a future tile in a future load, latent units, shape (S,)."""
        return np.asarray(np.sqrt(self.load_sd**2 + self.tile_sd**2 + self.place_sd**2))

    def take(self, which: slice | IntArray) -> StageDraws:
        """Return some of the draws."""
        count = self.n_draws
        return replace(
            self,
            thresholds=self.thresholds[which],
            coefficients=self.coefficients[which],
            load_sd=self.load_sd[which],
            tile_sd=self.tile_sd[which],
            place_sd=np.broadcast_to(self.place_sd, count)[which],
            lost=np.broadcast_to(self.lost, count)[which],
            slip=np.broadcast_to(self.slip, count)[which],
        )

    def thinned(self, count: int) -> StageDraws:
        """Return at most `count` of the draws, evenly taken."""
        return self.take(evenly_taken(self.n_draws, count))

    def linear(self, X: ArrayLike) -> FloatArray:
        r"""Return :math:`x^\top\beta` of each row of coded columns, shape (S, n)."""
        coded = np.atleast_2d(np.asarray(X, dtype=float))
        return np.asarray(self.coefficients @ coded.T, dtype=float)

    def cumulative(self, distance: ArrayLike) -> FloatArray:
        r"""Return :math:`G` of each draw at :math:`\theta_j - x^\top\beta`.

        Parameters
        ----------
        distance : array_like, shape (S, ...)
            Latent units; infinite values are allowed.

        Returns
        -------
        ndarray, shape (S, ...)
        """
        t = np.asarray(distance, dtype=float)
        spread = self.future_sd.reshape((-1,) + (1,) * (t.ndim - 1))
        link = link_named(self.link)
        if self.link == "probit":
            return link.cdf(t / np.sqrt(1.0 + spread * spread))
        points, weights = normal_points(_POINTS)
        if self.link == "logit":
            return _mean_logistic(t, spread, points, weights)
        total = np.zeros_like(t)
        for point, weight in zip(points, weights, strict=True):
            total += weight * link.cdf(t - spread * point)
        return total

    def grade_probabilities(self, X: ArrayLike) -> FloatArray:
        """Return P(stage = j) of a tile in a future load, shape (S, n, J).

        Parameters
        ----------
        X : array_like, shape (n, p)
            Coded columns without an intercept.

        Examples
        --------
        >>> from firelab.series.terms import TEMPERATURE
        >>> draws = StageDraws(
        ...     thresholds=np.array([[-1.0, 1.0]]), coefficients=np.array([[2.0]]),
        ...     load_sd=np.zeros(1), tile_sd=np.zeros(1), link="probit",
        ...     columns=(TEMPERATURE,))
        >>> draws.grade_probabilities([[0.0], [1.0]]).round(4)
        array([[[0.1587, 0.6827, 0.1587],
                [0.0013, 0.1573, 0.8413]]])
        """
        below = self.thresholds[:, None, :] - self.linear(X)[:, :, None]
        return np.diff(self.cumulative(below), axis=2, prepend=0.0, append=1.0)

    def distance_where(self, probability: float) -> FloatArray:
        r"""Return where :math:`G` of each draw has a probability, shape (S,).

        Parameters
        ----------
        probability : float
            Between 0 and 1.

        Returns
        -------
        ndarray, shape (S,)
            Latent units.

        Raises
        ------
        UsageError
            If the probability is not between 0 and 1.
        """
        if not 0.0 < probability < 1.0:
            raise UsageError(f"probability {probability:g} is not between 0 and 1")
        start = float(link_named(self.link).quantile(np.asarray(probability)))
        middle = start * np.sqrt(1.0 + self.future_sd**2 / 3.0)
        reach = 4.0 + 6.0 * self.future_sd
        return rising_roots(
            lambda t: self.cumulative(t) - probability, middle - reach, middle + reach
        )


def _mean_logistic(
    t: FloatArray, spread: FloatArray, points: FloatArray, weights: FloatArray
) -> FloatArray:
    """Return the mean of the logistic at t - spread * point, over points even about 0.

    Their number is odd. The two at ``t - a`` and ``t + a`` are together
    ``1 + sinh(t) / (cosh(t) + cosh(a))``: one exponential for all points.
    """
    limit = LARGEST_EXPONENT
    grown = np.exp(np.clip(t, -limit, limit))
    fallen = 1.0 / grown
    twice_cosh, total = grown + fallen, np.zeros_like(t)
    each, middle = np.empty_like(t), len(points) // 2
    shares = np.concatenate([0.5 * weights[[middle]], weights[middle + 1 :]])
    for point, share in zip(points[middle:], shares, strict=True):
        moved = 2.0 * np.cosh(np.minimum(spread * point, limit))
        total += np.divide(share, np.add(twice_cosh, moved, out=each), out=each)
    return np.clip(0.5 + (grown - fallen) * total, 0.0, 1.0)


def evenly_taken(total: int, count: int) -> IntArray:
    """Return the places of at most `count` of a number of draws, evenly taken."""
    return np.linspace(0, total - 1, min(count, total)).round().astype(np.int64)


def take_draws(draws: Draws, which: IntArray) -> Draws:
    """Return some of the draws of a value whose every field has one entry per draw."""
    values = {one.name: getattr(draws, one.name)[which] for one in fields(draws)}
    return replace(draws, **values)


def rising_roots(
    function: Callable[[FloatArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    *,
    exact: float = 1e-9,
) -> FloatArray:
    """Return where each of S rising functions is zero, all at once.

    Regula falsi with the correction of Anderson and Bjorck (1973, BIT 13,
    253-264), which keeps the bracket and closes in fast; every third step halves
    the bracket, so that flat ends cost no more than that.

    Parameters
    ----------
    function : callable
        Takes and returns shape (S,): not above 0 at `low`, not below at `high`.
    low, high : ndarray, shape (S,)
        A bracket of each root.
    exact : float, default 1e-9
        Largest value left.

    Examples
    --------
    >>> ends = np.array([0.0, 0.0]), np.array([4.0, 9.0])
    >>> rising_roots(lambda x: x**2 - np.array([2.0, 9.0]), *ends).round(6)
    array([1.414214, 3.      ])
    """
    at_low, at_high = function(low), function(high)
    middle, was_below = low, np.zeros(low.shape, dtype=bool)
    for step in range(_ROOT_STEPS):
        gap = at_high - at_low
        share = np.where(gap > 0, -at_low / np.where(gap > 0, gap, 1.0), 0.5)
        share = np.clip(share, 0.0, 1.0) if step % 3 else np.full_like(share, 0.5)
        middle = low + share * (high - low)
        value = function(middle)
        if np.max(np.abs(value)) < exact:
            break
        below = value < 0
        previous = np.where(below, at_low, at_high)
        kept = 1.0 - value / np.where(previous == 0.0, 1.0, previous)
        kept = np.where(kept > 0, kept, 0.5)
        kept = np.where(below == was_below, kept, 1.0)
        at_high = np.where(below, at_high * kept, value)
        at_low = np.where(below, value, at_low * kept)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
        was_below = below
    return middle
