r"""Where on the latent scale a target is likely enough, draw by draw.

All links are log-concave, so :math:`\pi(\eta) = G(\theta_h - \eta) -
G(\theta_{l-1} - \eta)` rises to one peak and falls: the latent values at which
:math:`\pi \ge p` are one interval, empty where even the peak is below
:math:`p`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firelab.arrays import BoolArray, FloatArray
from firelab.fits.ordinal.stage_draws import StageDraws, rising_roots

_STEPS = 40
"""Of a golden section, each a factor 0.62: 4e-9 of the bracket is left."""
_EXACT = 1e-7
"""Error of a probability at the ends of a span (chosen here, far below a draw's own)."""
_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TargetSpan:
    """The latent interval of each draw, S of them.

    Attributes
    ----------
    low, high : ndarray, shape (S,)
        Ends where the target has the probability asked; ``low > high`` where
        it never has. Infinite where the target has no such end.
    low_edge, high_edge : ndarray, shape (S,)
        Where P(stage >= lowest target) and P(stage <= highest target) are as
        asked: the edges of the window, each by itself.
    """

    low: FloatArray
    high: FloatArray
    low_edge: FloatArray
    high_edge: FloatArray

    @property
    def empty(self) -> BoolArray:
        """Which draws never reach the probability asked, shape (S,)."""
        return np.asarray(self.low > self.high)


def _latent_edges(
    draws: StageDraws, first: int, last: int, probability: float
) -> tuple[FloatArray, FloatArray]:
    """Return where each side of a target is as probable as asked, draw by draw."""
    low, high = np.full(draws.n_draws, -np.inf), np.full(draws.n_draws, np.inf)
    if first > 0:
        low = draws.thresholds[:, first - 1] - draws.distance_where(1.0 - probability)
    if last < draws.thresholds.shape[1]:
        high = draws.thresholds[:, last] - draws.distance_where(probability)
    return low, high


def target_span(draws: StageDraws, first: int, last: int, probability: float) -> TargetSpan:
    """Return the span of a target, grades `first` to `last`, in every draw.

    Slips count where the target has two ends.

    Parameters
    ----------
    draws : StageDraws
    first, last : int
        Places on the scale, from 0.
    probability : float
        Asked of the target.
    """
    low_edge, high_edge = _latent_edges(draws, first, last, probability)
    low, high = low_edge, high_edge
    if first > 0 and last < draws.thresholds.shape[1]:
        low, high = _two_sided(draws, first, last, probability, (low_edge, high_edge))
    return TargetSpan(low=low, high=high, low_edge=low_edge, high_edge=high_edge)


def inner_probability(
    draws: StageDraws, first: int, last: int, eta: FloatArray
) -> FloatArray:
    """Return P(first <= stage <= last) at latent values, shape (S, ...).

    A slip, where the draws have any, can be any grade.
    """
    shape = (-1,) + (1,) * (eta.ndim - 1)
    total = np.zeros_like(eta)
    if last < draws.thresholds.shape[1]:
        total += draws.cumulative(draws.thresholds[:, last].reshape(shape) - eta)
    else:
        total += 1.0
    if first > 0:
        total -= draws.cumulative(draws.thresholds[:, first - 1].reshape(shape) - eta)
    if draws.slip.any():
        share = (last - first + 1) / (draws.thresholds.shape[1] + 1)
        total += draws.slip.reshape(shape) * (share - total)
    return total


def _two_sided(
    draws: StageDraws,
    first: int,
    last: int,
    probability: float,
    edges: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Find both ends, each between its edge (one side of the chance) and the peak."""
    lower, upper = draws.thresholds[:, first - 1], draws.thresholds[:, last]
    peak = 0.5 * (lower + upper)
    if draws.link not in ("logit", "probit"):
        peak = _find_peak(draws, first, last, lower - 4.0, upper + 4.0)
    reachable = inner_probability(draws, first, last, peak) >= probability
    ends = []
    for outside in edges:
        # A draw that never gets there has no root; it is given one at the peak.
        reach = np.where(reachable, outside - peak, 1.0)

        def excess(share: FloatArray, reach: FloatArray = reach) -> FloatArray:
            pi = inner_probability(draws, first, last, peak - share * reach)
            return np.where(reachable, pi - probability, share)

        roots = rising_roots(
            excess, np.full_like(peak, -1.0), np.zeros_like(peak), exact=_EXACT
        )
        ends.append(peak - roots * reach)
    return (
        np.where(reachable, ends[0], np.inf),
        np.where(reachable, ends[1], -np.inf),
    )


def _find_peak(
    draws: StageDraws, first: int, last: int, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Find each draw's peak by golden section."""
    for _ in range(_STEPS):
        left = high - _GOLDEN * (high - low)
        right = low + _GOLDEN * (high - low)
        falls = inner_probability(draws, first, last, left) >= inner_probability(
            draws, first, last, right
        )
        high = np.where(falls, right, high)
        low = np.where(falls, low, left)
    return 0.5 * (low + high)
