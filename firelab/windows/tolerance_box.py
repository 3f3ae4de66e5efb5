r"""The recipe's box: the largest one that is assured all at once.

A firing is assured where the posterior probability of :math:`\pi \ge p` is at
least the confidence asked (Peterson 2008, J. Qual. Technol. 36, 139-153). A box
is held to more than each of its points: in that share of the draws the target
must be as probable as asked everywhere in the box.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_cdt

from firelab.arrays import BoolArray
from firelab.series.kiln_settings import kiln_step, settable_dwell, settable_temperature
from firelab.windows.edges.target_at_setting import TargetAtSetting
from firelab.windows.setting_window import ProbabilityMap

_LATTICE = np.array([-1.0, 0.0, 1.0])
"""Where a box is looked at, in half sides: corners, sides and centre."""
_ONE_SIDED = 1.645
"""95 % point of the standard normal (any table of it)."""
_HALVINGS = 8
"""Of the search for its half side: 1/256 of what was fired is left."""
_CANDIDATES = 30
"""Centres that are tried (chosen here; no centre of a fine grid has a box larger by a
twenty-fifth of the range: a test holds it so)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box around a firing.

    Attributes
    ----------
    temperature_degC, dwell_s : float
        Centre.
    half_side : float
        In coded units of temperature and of ln dwell.
    assurance : float
        Posterior probability that the target is likely enough in all of it.
    """

    temperature_degC: float
    dwell_s: float
    half_side: float
    assurance: float


def largest_box(target: TargetAtSetting, found: ProbabilityMap) -> Box | None:
    """Return the largest box that is assured all at once; None if there is none.

    Centres are settings that the kiln can be put to.
    """
    best: Box | None = None
    for degC, seconds in _centres(target, assured_mask(target, found), found):
        least = best.half_side if best else 0.0
        box = _grow(target, degC, seconds, least)
        if box and (best is None or box.half_side > least):
            best = box
    return best


def has_room(target: TargetAtSetting, box: Box) -> bool:
    """Tell whether a box is as wide as the steps that the kiln can be set in."""
    return box.half_side >= _least_room(target)


def _least_room(target: TargetAtSetting) -> float:
    """Return half a step of the kiln as a half side; 0 where one temperature was fired."""
    if not target.fired.varies_temperature:
        return 0.0
    return 0.5 * kiln_step(target.series) / target.plane.temperature.half_width


def surer_room(target: TargetAtSetting, box: Box) -> Box:
    """Return an assured box drawn in until half of its doubt is left.

    The largest box is where a model flatters itself most: in working kilns that are not
    the fitted model fewer boxes of the confidence asked were true everywhere in them than
    that confidence (analyses/working_kiln). The centre stays as sure as was asked, and
    the room is never less than half a step of the kiln.
    """
    wanted = 1.0 - _DOUBT_LEFT * (1.0 - target.series.window.confidence)
    least = min(_least_room(target), box.half_side)
    tight = _boxed(target, box.temperature_degC, box.dwell_s, least)
    if tight.assurance < wanted:
        return tight
    return _widest(target, tight, box.half_side, wanted)


def allowed_mask(target: TargetAtSetting, found: ProbabilityMap) -> BoolArray:
    """Tell which points of a map no rule forbids, shape (k, m)."""
    return target.allowed(*target.fired.grid()).reshape(found.assurance.shape)


def assured_mask(target: TargetAtSetting, found: ProbabilityMap) -> BoolArray:
    """Tell which points of a map are assured and not forbidden, shape (k, m)."""
    return allowed_mask(target, found) & (
        found.assurance >= target.series.window.confidence
    )


def _centres(
    target: TargetAtSetting, mask: BoolArray, found: ProbabilityMap
) -> Iterator[tuple[float, float]]:
    """Yield firings deep inside a region, the deepest first."""
    if not mask.any():
        return
    border = [(int(side > 1),) * 2 for side in mask.shape]
    framed = np.pad(mask, border)
    depth = np.ones(mask.shape, dtype=int)
    if not framed.all():
        inner = tuple(
            slice(low, low + n) for (low, _), n in zip(border, mask.shape, strict=True)
        )
        depth = distance_transform_cdt(framed, metric="chessboard")[inner]
    rank = depth + found.assurance
    rank[~mask] = -1.0
    order = np.argsort(-rank, axis=None)[: int(mask.sum())]
    deep = order[: max(1, int(np.sum(depth.ravel()[order] >= 0.7 * depth.max())))]
    for place in deep[:: max(1, len(deep) // _CANDIDATES)]:
        row, column = np.unravel_index(place, mask.shape)
        yield settable_firing(
            target, float(found.temperature_degC[column]), float(found.dwell_s[row])
        )


def settable_firing(
    target: TargetAtSetting, degC: float, seconds: float
) -> tuple[float, float]:
    """Round a firing to what the kiln can be set to, inside what was fired."""
    series, fired = target.series, target.fired
    return (
        settable_temperature(series, degC, (fired.coolest_degC, fired.hottest_degC)),
        settable_dwell(series, seconds, (fired.shortest_s, fired.longest_s)),
    )


_DOUBT_LEFT = 0.5
"""Share of the doubt asked that the room of a recipe may have (chosen by
analyses/working_kiln)."""


def _assurance_needed(confidence: float, n_draws: int) -> float:
    """Return the share of draws that assures a box.

    The largest of many boxes is one that the draws flatter by chance, so the
    confidence must be exceeded by its Monte Carlo error, one-sided at 95 %.

    Examples
    --------
    >>> round(_assurance_needed(0.8, 2000), 3), _assurance_needed(0.8, 1)
    (0.815, 1.0)
    """
    error = np.sqrt(confidence * (1.0 - confidence) / n_draws)
    return float(min(1.0, confidence + _ONE_SIDED * error))


def _grow(target: TargetAtSetting, degC: float, seconds: float, least: float) -> Box | None:
    """Return the largest assured box around a firing, None if below `least`."""
    wanted = _assurance_needed(target.series.window.confidence, target.draws.n_draws)
    room = _room(target, degC, seconds)
    if room < least or box_assurance(target, degC, seconds, least) < wanted:
        return None
    return _widest(target, _boxed(target, degC, seconds, least), room, wanted)


def _widest(target: TargetAtSetting, box: Box, room: float, wanted: float) -> Box:
    """Return an assured box grown as far as it stays so, to `room` at the most."""
    degC, seconds = box.temperature_degC, box.dwell_s
    low, high = box.half_side, room
    if box_assurance(target, degC, seconds, room) >= wanted:
        low = room
    for _ in range(_HALVINGS if high > low else 0):
        middle = 0.5 * (low + high)
        enough = box_assurance(target, degC, seconds, middle) >= wanted
        low, high = (middle, high) if enough else (low, middle)
    return _boxed(target, degC, seconds, low)


def _boxed(target: TargetAtSetting, degC: float, seconds: float, half_side: float) -> Box:
    return Box(
        temperature_degC=degC,
        dwell_s=seconds,
        half_side=half_side,
        assurance=box_assurance(target, degC, seconds, half_side),
    )


def _room(target: TargetAtSetting, degC: float, seconds: float) -> float:
    """Return the half side at which a box meets the end of what was fired."""
    fired, plane = target.fired, target.plane
    u, v = plane.coded(
        [fired.coolest_degC, degC, fired.hottest_degC],
        [fired.shortest_s, seconds, fired.longest_s],
    )
    gaps = [np.diff(u)] * fired.varies_temperature + [np.diff(v)] * fired.varies_dwell
    return max(0.0, float(np.min(gaps))) if gaps else 0.0


def box_assurance(
    target: TargetAtSetting, degC: float, seconds: float, half_side: float
) -> float:
    """Return the posterior probability that a whole box is likely enough.

    Parameters
    ----------
    target : TargetAtSetting
    degC, seconds : float
        Centre.
    half_side : float
        In coded units; an axis on which one value was fired has no side.
    """
    steps = half_side * (_LATTICE if half_side > 0 else np.zeros(1))
    u, v = target.plane.coded([degC], [seconds])
    T = target.plane.degC(u + (steps if target.fired.varies_temperature else 0.0))
    d = target.plane.seconds(v + (steps if target.fired.varies_dwell else 0.0))
    grid_T, grid_d = (axis.ravel() for axis in np.meshgrid(T, d))
    if not target.allowed(grid_T, grid_d).all():
        return 0.0
    return float(target.likely_enough(grid_T, grid_d).all(axis=1).mean())
