"""Axes in a studio's own units: the kiln's unit first, dwell in minutes and seconds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axes._secondary_axes import SecondaryAxis
from matplotlib.axis import Axis
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from firelab.craft.degrees import PER_DEGC, SIGN, other_unit
from firelab.craft.units import to_degC, to_degF


def write_dwell(dwell_s: float) -> str:
    """Write a dwell as a clock does, minutes and seconds.

    Examples
    --------
    >>> write_dwell(90), write_dwell(120)
    ('1:30', '2:00')
    """
    minutes, seconds = divmod(round(dwell_s), 60)
    return f"{minutes}:{seconds:02d}"


_STEPS = [1, 2, 2.5, 5, 10]


def set_temperature_axis(
    axis: Axis, low_degC: float, high_degC: float, reads: str, *, ticks: int = 6
) -> None:
    """Tick an axis that is drawn in degC at round values of the kiln's unit.

    Parameters
    ----------
    axis : Axis
        ``axes.xaxis`` or ``axes.yaxis``.
    low_degC, high_degC : float
        Ends of the axis.
    reads : {'degF', 'degC'}
    ticks : int, default 6
        At most so many and one.
    """
    in_unit, back = (to_degF, to_degC) if reads == "degF" else (float, float)
    ends = in_unit(low_degC), in_unit(high_degC)
    places = MaxNLocator(nbins=ticks, steps=_STEPS).tick_values(*ends)
    across = axis is axis.axes.xaxis
    set_ends = axis.axes.set_xlim if across else axis.axes.set_ylim
    set_ends(low_degC, high_degC)
    axis.set_major_locator(
        FixedLocator([back(float(p)) for p in places if ends[0] <= p <= ends[1]])
    )
    axis.set_major_formatter(FuncFormatter(lambda degC, _: f"{in_unit(degC):.0f}"))
    axis.set_label_text(f"temperature ({SIGN[reads]})")


def add_other_axis(axes: Axes, reads: str, *, ticks: int = 6) -> SecondaryAxis:
    """Put the unit that the kiln does not read along the top.

    Returns
    -------
    SecondaryAxis
        The two agree at every point by the conversion itself.
    """
    top = axes.secondary_xaxis("top", functions=other_functions(reads))
    top.set_xlabel(f"temperature ({SIGN[other_unit(reads)]})")
    top.xaxis.set_major_locator(MaxNLocator(nbins=ticks, steps=_STEPS))
    return top


def other_functions(reads: str) -> tuple[Callable[[Any], Any], Callable[[Any], Any]]:
    """Return what turns an axis in degC into the unit that the kiln does not read."""
    return (_same, _same) if reads == "degF" else (to_degF, to_degC)


def _same(degC: Any) -> Any:
    return degC


def other_difference(reads: str) -> tuple[Callable[[Any], Any], Callable[[Any], Any]]:
    """Return what turns a difference in the kiln's unit into the other one, and back."""
    share = PER_DEGC[other_unit(reads)] / PER_DEGC[reads]
    return (lambda own: np.asarray(own) * share, lambda other: np.asarray(other) / share)


def set_dwell_axis(
    axes: Axes, low_s: float, high_s: float, fired_s: Sequence[float]
) -> None:
    """Make the vertical axis dwell on a log scale, ticked at fired dwells."""
    axes.set_yscale("log")
    axes.set_ylim(low_s, high_s)
    axes.set_ylabel("dwell (min:s), log scale")
    _tick_dwells(axes.yaxis, fired_s)


def _tick_dwells(axis: Axis, fired_s: Sequence[float]) -> None:
    """Tick an axis at dwells, written in minutes and seconds, none too near another."""
    axis.set_major_locator(FixedLocator(spread_apart(fired_s)))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda value, _: write_dwell(value)))


def spread_apart(dwells_s: Sequence[float], *, largest: int = 8) -> list[float]:
    """Return dwells at least 1/`largest` of their ln range apart, the ends kept.

    Examples
    --------
    >>> spread_apart([90, 91, 150, 210])
    [90.0, 150.0, 210.0]
    """
    ordered = sorted({float(one) for one in dwells_s})
    if len(ordered) < 3:
        return ordered
    room = np.log(ordered[-1] / ordered[0]) / largest
    kept = [ordered[0]]
    for one in ordered[1:-1]:
        if np.log(one / kept[-1]) >= room and np.log(ordered[-1] / one) >= room:
            kept.append(one)
    return [*kept, ordered[-1]]
