"""The edges of a window as marks with intervals, for the map and the edge plot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation, Transform

from firelab.charts.style import HIGH_EDGE, LOW_EDGE, PAPER
from firelab.windows.window import EdgeInterval, Edges

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
