"""The figures of a report: name, picture, caption, and words for who cannot see it."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from firelab.charts.clarity_plot import describe_clarity_plot, draw_clarity_plot
from firelab.charts.edge_plot import describe_edge_plot, draw_edge_plot
from firelab.charts.plan_chart import describe_plan_chart, draw_plan_chart
from firelab.charts.probability_map import describe_window_map, draw_window_map
from firelab.charts.stage_curves import describe_stage_curves, draw_stage_curves
from firelab.charts.style import both_forms, figure_bytes, write_figure
from firelab.craft.degrees import with_degree_signs
from firelab.craft.trade_words import setting_words
from firelab.report.page_tables import PageImage
from firelab.report.sources import ReportSources
from firelab.windows.window import FiringWindows

_CSS_PIXELS_PER_INCH = 96
MOST_DRAWN = 6
"""Settings that are drawn, the widest assured first; all stand in the tables."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ReportFigure:
    """One figure of the report.

    Attributes
    ----------
    name : str
        File name without ending.
    topic : str
        Section that it stands in, such as ``map-1``, ``stages-1`` or ``edges``.
    figure : Figure
    alt : str
        What it shows, in words.
    caption : str
        How to read it.
    """

    name: str
    topic: str
    figure: Figure
    alt: str
    caption: str

    @cached_property
    def svg(self) -> bytes:
        """The figure as SVG, drawn once for the page and for its file."""
        return figure_bytes(self.figure, "svg")

    def write(self, stem: Path, *, png: bool = False) -> tuple[Path, ...]:
        """Write the figure as SVG, and as PNG where that is asked or there is one."""
        drawn = {"svg": self.svg}
        if png or stem.with_name(f"{stem.name}.png").is_file():
            drawn["png"] = figure_bytes(self.figure, "png")
        return write_figure(drawn, stem)


def draw_figures(sources: ReportSources) -> tuple[ReportFigure, ...]:
    """Draw every figure that the sources allow, in the order of the page."""
    return (
        *_window_figures(sources),
        *_stage_figures(sources),
        *_clarity_figures(sources),
        *_plan_figures(sources),
    )


def _window_figures(sources: ReportSources) -> list[ReportFigure]:
    windows, records = sources.windows, sources.records
    if windows is None or records is None:
        return []
    drawn = [
        ReportFigure(
            name=f"window-map-{_file_stem(window.setting)}",
            topic=f"map-{rank}",
            figure=draw_window_map(windows, window, records),
            alt=describe_window_map(windows, window),
            caption=_map_caption(windows, rank),
        )
        for rank, window in enumerate(windows.windows[:MOST_DRAWN], start=1)
    ]
    if not _varies_temperature(windows):
        return drawn
    shown = windows.windows[:MOST_DRAWN]
    edges = ReportFigure(
        name="edges",
        topic="edges",
        figure=draw_edge_plot(windows, shown, invented=sources.series.invented),
        alt=describe_edge_plot(windows, shown),
        caption=("With intervals; an arrow runs out of what was fired."),
    )
    return [*drawn, edges]


def _varies_temperature(windows: FiringWindows) -> bool:
    """Tell whether there is an axis of temperature to draw against."""
    return len(windows.windows[0].map.temperature_degC) > 1


def _map_caption(windows: FiringWindows, rank: int) -> str:
    if rank > 1:
        return ""
    return (
        "Bluer: likelier. Inside the thick line "
        f"{windows.probability * 100:.0f} of 100 or more; hatched, that is sure. "
        "Arrows: edges, below their dwell."
    )


def _stage_figures(sources: ReportSources) -> list[ReportFigure]:
    fit, records, windows = sources.fit, sources.records, sources.windows
    if fit is None or records is None or windows is None:
        return []
    if not _varies_temperature(windows):
        return []
    return [
        ReportFigure(
            name=f"stages-{_file_stem(window.setting)}",
            topic=f"stages-{rank}",
            figure=draw_stage_curves(fit.draws, fit.terms, records, window.setting),
            alt=describe_stage_curves(records, window.setting),
            caption=(
                "Lines: expected share at each grade. Marks: tiles fired near that dwell."
                if rank == 1
                else ""
            ),
        )
        for rank, window in enumerate(windows.windows[:MOST_DRAWN], start=1)
    ]


def _clarity_figures(sources: ReportSources) -> list[ReportFigure]:
    clarity, records = sources.clarity, sources.records
    if clarity is None or records is None:
        return []
    return [
        ReportFigure(
            name="clearness",
            topic="clarity",
            figure=draw_clarity_plot(clarity, records),
            alt=describe_clarity_plot(records),
            caption=(
                "Marks: tiles at the target stage. Lines: expected score at shortest and "
                "longest dwell, with intervals."
            ),
        )
    ]


def _plan_figures(sources: ReportSources) -> list[ReportFigure]:
    if sources.plan is None or sources.plan.tiles.empty:
        return []
    return [
        ReportFigure(
            name="plan",
            topic="plan",
            figure=draw_plan_chart(sources.series, sources.plan),
            alt=describe_plan_chart(sources.plan, sources.series.kiln.reads),
            caption="Circles: tiles fired there. Squares: tiles of that load.",
        )
    ]


def page_image(drawn: ReportFigure) -> PageImage:
    """Return a figure as the page carries it: SVG inside the page, no file beside it."""
    width, height = drawn.figure.get_size_inches() * _CSS_PIXELS_PER_INCH
    carried = base64.b64encode(both_forms(drawn.svg)).decode("ascii")
    return PageImage(
        source=f"data:image/svg+xml;base64,{carried}",
        alt=with_degree_signs(drawn.alt),
        caption=with_degree_signs(drawn.caption),
        width=round(width),
        height=round(height),
    )


def _file_stem(setting: Mapping[str, Any]) -> str:
    """Return a setting as part of a file name: plain letters, digits and dashes.

    Examples
    --------
    >>> _file_stem({"mesh": 80, "layers": 2, "base": "hard clear"})
    '80-mesh-2-coats-over-hard-clear'
    """
    kept = [
        c if c.isascii() and c.isalnum() else " " for c in setting_words(setting).lower()
    ]
    return "-".join("".join(kept).split())
