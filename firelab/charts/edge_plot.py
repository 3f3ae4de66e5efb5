"""The edges of a window as marks with their intervals, for the map and for a plot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation, Transform

from firelab.charts.axes import add_other_axis, set_dwell_axis, set_temperature_axis
from firelab.charts.style import (
    HIGH_EDGE,
    LOW_EDGE,
    PAPER,
    QUIET,
    SMALL_PT,
    TEXT_PT,
    UNFIRED,
    UNFIRED_DOTS,
    drawn_figure,
)
from firelab.craft.trade_words import setting_words
from firelab.craft.units import format_duration, format_temperature
from firelab.windows.setting_window import EdgeInterval, Edges, SettingWindow
from firelab.windows.window import FiringWindows

_THICK_PT = 1.8
_SHIFT_PT = {False: (-5.0, 5.0), True: (9.0, 17.0)}
"""How far below its dwell the low and the high edge stand: in the plot, in the map."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLook:
    """How an edge is drawn: its mark opens into the window."""

    colour: str
    marker: str
    name: str


LOOKS = {
    "low_degC": EdgeLook(colour=LOW_EDGE, marker=">", name="low edge"),
    "high_degC": EdgeLook(colour=HIGH_EDGE, marker="<", name="high edge"),
}


def draw_edges(
    axes: Axes, edges: Sequence[Edges], span: tuple[float, float], *, of_map: bool = False
) -> None:
    """Draw each edge with its interval at its dwell.

    An end of an interval that lies outside the fired range is drawn as an
    arrow at the end of the range: nothing is drawn beyond it.

    Parameters
    ----------
    axes : Axes
        degC by s.
    edges : sequence of Edges
    span : tuple of (float, float)
        Fired range, degC.
    of_map : bool, default False
        Just below the dwell they stand for, where fired tiles do not hide them;
        else the low edge just above it and the high edge just below.
    """
    for edge in edges:
        for (name, look), shift in zip(LOOKS.items(), _SHIFT_PT[of_map], strict=True):
            interval: EdgeInterval = getattr(edge, name)
            if not is_outside(interval):
                placed = axes.transData + _shift(axes, shift)
                _draw_interval(axes, edge.dwell_s, interval, look, span, placed)


def is_outside(interval: EdgeInterval) -> bool:
    """Tell whether nothing of an edge lies inside the fired range."""
    parts = (interval.estimate, interval.lower, interval.upper)
    return all(part is None for part in parts)


def _draw_interval(
    axes: Axes,
    dwell_s: float,
    interval: EdgeInterval,
    look: EdgeLook,
    span: tuple[float, float],
    placed: Transform,
) -> None:
    left = span[0] if interval.lower is None else interval.lower
    right = span[1] if interval.upper is None else interval.upper
    ends = (
        (left, "<" if interval.lower is None else "|"),
        (right, ">" if interval.upper is None else "|"),
    )
    flat: dict[str, Any] = {"transform": placed, "zorder": 4, "clip_on": False}
    for width, colour in ((_THICK_PT + 2.6, PAPER), (_THICK_PT, look.colour)):
        axes.plot([left, right], [dwell_s] * 2, color=colour, lw=width, **flat)
    for at, end in ends:
        axes.plot([at], [dwell_s], end, color=look.colour, ms=6.5, mew=_THICK_PT, **flat)
    if interval.estimate is not None:
        mark: dict[str, Any] = {"marker": look.marker, "color": look.colour, "ms": 9}
        at_estimate = {**flat, "zorder": 5, "mec": PAPER}
        axes.plot([interval.estimate], [dwell_s], **mark, **at_estimate)


def _shift(axes: Axes, down_pt: float) -> ScaledTranslation:
    figure = axes.get_figure(root=True)
    if figure is None:
        raise ValueError("axes stand in no figure")
    return ScaledTranslation(0.0, -down_pt / 72, figure.dpi_scale_trans)


def edge_keys(level: float) -> list[Line2D]:
    """Return legend keys of the low and the high edge."""
    return [
        Line2D(
            [],
            [],
            color=look.colour,
            marker=look.marker,
            markersize=8,
            lw=2.0,
            label=f"{look.name}, {level:.0%} interval",
        )
        for look in LOOKS.values()
    ]


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

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.charts.edges(firelab.firing_windows(firelab.fit_stage(records)))
    <Figure size ... with 2 Axes>
    """
    chosen = list(windows.windows if shown is None else shown)
    rows = sum(len(window.edges) + 2 for window in chosen)
    target = " or ".join(windows.target)
    title = f"edges of {target} at probability {windows.probability:g}"
    with drawn_figure(2.0 + 0.44 * rows, title, invented=invented) as figure:
        heights = [len(window.edges) + 2 for window in chosen]
        panels = figure.subplots(
            len(chosen), 1, sharex=True, squeeze=False, height_ratios=heights
        )[:, 0]
        for place, (axes, window) in enumerate(zip(panels, chosen, strict=True)):
            _draw_panel(axes, window)
            last = place == len(chosen) - 1
            _label_panel(axes, window, windows.reads, first=place == 0, last=last)
        keys = [
            *edge_keys(windows.level),
            Line2D([], [], **_BETWEEN, label="between the edges"),
        ]
        figure.legend(handles=keys, loc="outside lower center", ncols=2)
        figure.supylabel("dwell (min:s), log scale", fontsize=TEXT_PT)
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
                f"low edge {write_interval(edge.low_degC, windows.reads)}, "
                f"high edge {write_interval(edge.high_degC, windows.reads)}."
            )
    return " ".join(lines)


def write_interval(interval: EdgeInterval, reads: str = "degF") -> str:
    """Write an edge with its interval, the kiln's unit first.

    Examples
    --------
    >>> write_interval(EdgeInterval(estimate=760.0, lower=750.0, upper=None))
    '1400 °F (760 °C), from 1382 °F (750 °C) to beyond what was fired'
    """
    if is_outside(interval):
        return "not inside the fired range"
    lower, upper = interval.lower, interval.upper
    low = "below what was fired" if lower is None else format_temperature(lower, reads)
    high = "beyond what was fired" if upper is None else format_temperature(upper, reads)
    if interval.estimate is None:
        return f"outside the fired range, from {low} to {high}"
    return f"{format_temperature(interval.estimate, reads)}, from {low} to {high}"


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
            text = reason if reason.startswith("no ") else f"{name} {reason}"
            at_right = "above" in reason or (name == "high edge" and "below" not in reason)
            lines[at_right].append(text)
    for side, (at, words) in enumerate(zip(span, lines, strict=True)):
        if words:
            axes.annotate(
                "\n".join(words),
                (at, edge.dwell_s),
                xytext=(-5 if side else 5, 0),
                textcoords="offset points",
                ha="right" if side else "left",
                va="center",
                fontsize=SMALL_PT,
                color=QUIET,
            )


def _label_panel(
    axes: Axes, window: SettingWindow, reads: str, *, first: bool, last: bool
) -> None:
    axes.set_title(setting_words(window.setting), loc="left", pad=8)
    low, high = axes.get_xlim()
    set_temperature_axis(axes.xaxis, low, high, reads)
    axes.set_ylabel("")
    if first:
        add_other_axis(axes, reads)
    if not last:
        axes.set_xlabel("")
