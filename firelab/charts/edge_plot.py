"""The edges of each window with their intervals, dwell by dwell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from firelab.charts.axes import add_degF_axis, set_dwell_axis, set_temperature_axis
from firelab.charts.edge_marks import draw_edges, edge_keys, is_outside
from firelab.charts.style import (
    PAPER,
    QUIET,
    SMALL_PT,
    TEXT_PT,
    UNFIRED,
    UNFIRED_DOTS,
    drawing_style,
    new_figure,
    settle_layout,
    title_figure,
)
from firelab.craft.setting_words import setting_words
from firelab.craft.units import format_duration, format_temperature
from firelab.windows.window import EdgeInterval, Edges, FiringWindows, SettingWindow

_BETWEEN: dict[str, Any] = {"color": "#b7d3cf", "lw": 21, "solid_capstyle": "butt"}


def draw_edge_plot(
    windows: FiringWindows,
    shown: Sequence[SettingWindow] | None = None,
    *,
    invented: bool = False,
) -> Figure:
    """Draw low and high edge against dwell, one panel per setting.

    Parameters
    ----------
    windows : FiringWindows
    shown : sequence of SettingWindow, optional
        Settings to draw, top to bottom; all of them by default.
    invented : bool, default False
        Say on the figure that the data are invented.

    Returns
    -------
    Figure
    """
    chosen = list(windows.windows if shown is None else shown)
    rows = sum(len(window.edges) + 2 for window in chosen)
    with drawing_style():
        figure = new_figure(2.0 + 0.44 * rows)
        heights = [len(window.edges) + 2 for window in chosen]
        panels = figure.subplots(
            len(chosen), 1, sharex=True, squeeze=False, height_ratios=heights
        )[:, 0]
        for place, (axes, window) in enumerate(zip(panels, chosen, strict=True)):
            _draw_panel(axes, window)
            last = place == len(chosen) - 1
            _label_panel(axes, window, first=place == 0, last=last)
        keys = [
            *edge_keys(windows.level),
            Line2D([], [], **_BETWEEN, label="between the edges"),
        ]
        figure.legend(handles=keys, loc="outside lower center", ncols=2)
        figure.supylabel("dwell (min:s), log scale", fontsize=TEXT_PT)
        target = " or ".join(windows.target)
        asked = f"edges of {target} at probability {windows.probability:g}"
        title_figure(figure, asked, invented=invented)
        settle_layout(figure)
    return figure


def describe_edge_plot(
    windows: FiringWindows, shown: Sequence[SettingWindow] | None = None
) -> str:
    """Say in words what the edge plot shows."""
    lines = [
        f"Low and high edge of the window by dwell, with {windows.level:.0%} intervals, "
        f"at probability {windows.probability:g}."
    ]
    for window in windows.windows if shown is None else shown:
        for edge in window.edges:
            lines.append(
                f"{setting_words(window.setting)}, {format_duration(edge.dwell_s)}: "
                f"low edge {write_interval(edge.low_degC)}, "
                f"high edge {write_interval(edge.high_degC)}."
            )
    return " ".join(lines)


def write_interval(interval: EdgeInterval) -> str:
    """Write an edge with its interval, in degC and degF.

    Examples
    --------
    >>> write_interval(EdgeInterval(estimate=760.0, lower=750.0, upper=None))
    '760 degC (1400 degF), from 750 degC (1382 degF) to beyond what was fired'
    """
    if is_outside(interval):
        return "not inside the fired range"
    lower, upper = interval.lower, interval.upper
    low = "below what was fired" if lower is None else format_temperature(lower)
    high = "beyond what was fired" if upper is None else format_temperature(upper)
    if interval.estimate is None:
        return f"outside the fired range, from {low} to {high}"
    return f"{format_temperature(interval.estimate)}, from {low} to {high}"


def _draw_panel(axes: Axes, window: SettingWindow) -> None:
    degC, dwell = window.map.temperature_degC, window.map.dwell_s
    span = float(degC[0]), float(degC[-1])
    beyond = max(0.07 * (span[1] - span[0]), 5.0)
    ratio = (float(dwell[-1]) / float(dwell[0])) ** 0.18
    low, high = float(dwell[0]) / max(ratio, 1.05), float(dwell[-1]) * max(ratio, 1.05)
    axes.set_xlim(span[0] - beyond, span[1] + beyond)
    set_dwell_axis(axes, low, high, [edge.dwell_s for edge in window.edges])
    axes.patch.set(**UNFIRED_DOTS)
    axes.axvspan(*span, color=PAPER, zorder=0)
    for edge in window.edges:
        axes.plot(span, [edge.dwell_s] * 2, color=UNFIRED, lw=1.0, zorder=1)
        _draw_between(axes, edge.dwell_s, edge.low_degC, edge.high_degC)
        _say_outside(axes, edge, span)
    draw_edges(axes, window.edges, span)


def _draw_between(
    axes: Axes, dwell_s: float, low: EdgeInterval, high: EdgeInterval
) -> None:
    left, right = low.estimate, high.estimate
    if left is not None and right is not None and left < right:
        axes.plot([left, right], [dwell_s] * 2, **_BETWEEN, zorder=2)


def _say_outside(axes: Axes, edge: Edges, span: tuple[float, float]) -> None:
    """Say at the nearer end of the panel which edge lies outside, and on which side."""
    lines: tuple[list[str], list[str]] = ([], [])
    for name, interval in (("low edge", edge.low_degC), ("high edge", edge.high_degC)):
        if is_outside(interval):
            reason = interval.reason or "outside the fired range"
            words = reason if reason.startswith("no ") else f"{name} {reason}"
            at_right = "above" in reason or (name == "high edge" and "below" not in reason)
            lines[at_right].append(words)
    for side, (at, told) in enumerate(zip(span, lines, strict=True)):
        if told:
            axes.annotate(
                "\n".join(told),
                (at, edge.dwell_s),
                xytext=(-5 if side else 5, 0),
                textcoords="offset points",
                ha="right" if side else "left",
                va="center",
                fontsize=SMALL_PT,
                color=QUIET,
            )


def _label_panel(axes: Axes, window: SettingWindow, *, first: bool, last: bool) -> None:
    axes.set_title(setting_words(window.setting), loc="left", pad=8)
    low, high = axes.get_xlim()
    set_temperature_axis(axes, low, high)
    axes.set_ylabel("")
    if first:
        add_degF_axis(axes)
    if not last:
        axes.set_xlabel("")
