"""Axes in a studio's own units: degC with degF, dwell in minutes and seconds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axes._secondary_axes import SecondaryAxis
from matplotlib.axis import Axis
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

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


def in_degrees(text: str) -> str:
    """Return text with degC and degF written as a kiln's display does.

    Examples
    --------
    >>> in_degrees("760 degC (1400 degF)")
    '760 °C (1400 °F)'
    """
    return text.replace("degC", "°C").replace("degF", "°F")


def set_temperature_axis(
    axes: Axes, low_degC: float, high_degC: float, *, ticks: int = 6
) -> None:
    """Put degC along the bottom."""
    axes.set_xlim(low_degC, high_degC)
    axes.set_xlabel("temperature (°C)")
    axes.xaxis.set_major_locator(MaxNLocator(nbins=ticks, steps=[1, 2, 2.5, 5, 10]))


def add_degF_axis(axes: Axes, *, ticks: int = 6) -> SecondaryAxis:
    """Put degF along the top.

    Parameters
    ----------
    axes : Axes
        With degC along the bottom.
    ticks : int, default 6
        At most so many and one.

    Returns
    -------
    SecondaryAxis
        The degF axis; the two agree at every point by the conversion itself.
    """
    top = axes.secondary_xaxis("top", functions=(degF_of_degC, degC_of_degF))
    top.set_xlabel("temperature (°F)")
    top.xaxis.set_major_locator(MaxNLocator(nbins=ticks, steps=[1, 2, 2.5, 5, 10]))
    return top


def degF_of_degC(degC: Any) -> Any:
    """Return degF of an axis in degC, any shape."""
    return to_degF(np.asarray(degC, dtype=float))  # type: ignore[arg-type]


def degC_of_degF(degF: Any) -> Any:
    """Return degC of an axis in degF, any shape."""
    return to_degC(np.asarray(degF, dtype=float))  # type: ignore[arg-type]


def set_dwell_axis(
    axes: Axes, low_s: float, high_s: float, fired_s: Sequence[float]
) -> None:
    """Make the vertical axis dwell on a log scale, ticked at fired dwells."""
    axes.set_yscale("log")
    axes.set_ylim(low_s, high_s)
    axes.set_ylabel("dwell (min:s), log scale")
    tick_dwells(axes.yaxis, fired_s)


def tick_dwells(axis: Axis, fired_s: Sequence[float]) -> None:
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
