"""The plan at a glance: where the tiles go, the loads in order, what it uses up."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.ticker import MaxNLocator

from firelab.charts.axes import (
    add_degF_axis,
    degC_of_degF,
    degF_of_degC,
    set_dwell_axis,
    set_temperature_axis,
)
from firelab.charts.plan_bars import chance_bars, draw_bars, use_bars
from firelab.charts.plan_words import plan_lines
from firelab.charts.setting_names import (
    distinct_names,
    planned_settings,
    shared_name,
    wrap_words,
)
from firelab.charts.style import (
    INK,
    PAPER,
    QUIET,
    SMALL_PT,
    TEXT_PT,
    UNFIRED,
    drawing_style,
    new_figure,
    settle_layout,
    title_figure,
)
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries

_TILE_FILL = "#cfdfd2"
_CROWDED = 30
"""Places of one panel above which the numbers are left out."""


def draw_plan_chart(series: FiringSeries, plan: Plan) -> Figure:
    """Draw a plan for who plans no experiments.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan

    Returns
    -------
    Figure
        At the top, how many tiles go to which temperature (degC and degF) and
        dwell, one panel per setting; then each load's temperature in the order
        of firing, with its tiles and its session; then what is used of what
        there is, and how likely a real effect is to show.
    """
    settings = planned_settings(plan)
    rows = -(-len(settings) // _columns(settings))
    sections: list[tuple[float, Callable[[SubFigure], None]]] = [
        (0.9 + 2.0 * rows, lambda part: _draw_places(part, series, plan, settings)),
        (3.1, lambda part: _draw_loads(part, plan)),
    ]
    shift = plan.figures.get("shift_sd", 0.0)
    named_bars = (
        ("What it uses of what there is", use_bars(plan)),
        (f"Chance to see a shift of {shift:g} sd, end to end", chance_bars(plan)),
    )
    for name, bars in named_bars:
        if bars:
            draw = partial(draw_bars, title=name, bars=bars)
            sections.append((0.6 + 0.33 * len(bars), draw))
    heights = [height for height, _ in sections]
    with drawing_style():
        figure = new_figure(0.7 + sum(heights))
        parts: Any = figure.subfigures(len(sections), 1, height_ratios=heights)
        for part, (_, draw_section) in zip(parts, sections, strict=True):
            draw_section(part)
        loads, sessions = plan.tiles["load"].nunique(), plan.tiles["session"].nunique()
        title = (
            f"{plan.n_tiles} tiles in {loads} loads, {sessions} "
            f"session{'' if sessions == 1 else 's'}: {plan.kind} plan"
        )
        title_figure(figure, title, invented=series.invented)
        settle_layout(figure)
    return figure


def describe_plan_chart(plan: Plan) -> str:
    """Say in words what the chart shows."""
    loads = plan.tiles.drop_duplicates("load").sort_values("load")
    order = ", ".join(f"{degC:.0f}" for degC in loads["temperature_degC"])
    return (
        f"Plan of {plan.n_tiles} tiles. Loads in the order of firing, degC: {order}. "
        + " ".join(plan_lines(plan))
    )


def _columns(settings: Sequence[Any]) -> int:
    return 1 if len(settings) == 1 else 2


def _draw_places(
    part: SubFigure,
    series: FiringSeries,
    plan: Plan,
    settings: Sequence[Mapping[str, Any]],
) -> None:
    columns = _columns(settings)
    ticks = 6 if columns == 1 else 4
    rows = -(-len(settings) // columns)
    panels = part.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    tested = plan.tiles[plan.tiles["role"] != "control"]
    names = distinct_names(settings)
    for place, axes in enumerate(panels.flat):
        axes.set_visible(place < len(settings))
        if place >= len(settings):
            continue
        at = np.ones(len(tested), dtype=bool)
        for name, value in settings[place].items():
            at &= (tested[name] == value).to_numpy()
        _draw_counts(axes, series, tested[at], ticks=ticks)
        axes.set_title(wrap_words(names[place], 26) if names[place] else "", pad=6)
        if place < columns:
            add_degF_axis(axes, ticks=ticks)
        lowest = place >= len(settings) - columns
        axes.set_xlabel("temperature (°C)" if lowest else "")
        axes.tick_params(labelbottom=lowest)
    part.supylabel("dwell (min:s)", fontsize=TEXT_PT)
    part.suptitle(
        f"Tiles at each temperature and dwell\n{shared_name(settings)}", weight="bold"
    )


def _draw_counts(
    axes: Axes, series: FiringSeries, tiles: pd.DataFrame, *, ticks: int
) -> None:
    low, high = series.span("temperature")
    short, long = series.span("dwell")
    beyond = max(0.1 * (high - low), 2.0)
    ratio = max((long / short) ** 0.18, 1.05)
    set_temperature_axis(axes, low - beyond, high + beyond, ticks=ticks)
    levels = [float(level) for level in series.factors.levels("dwell")]
    set_dwell_axis(axes, short / ratio, long * ratio, levels)
    axes.set_ylabel("")
    axes.grid(visible=True, color=UNFIRED)
    counts = tiles.groupby(["temperature_degC", "dwell_s"]).size().reset_index(name="tiles")
    crowded = len(counts) > _CROWDED
    axes.scatter(
        counts["temperature_degC"],
        counts["dwell_s"],
        s=70 if crowded else 190,
        facecolor=_TILE_FILL,
        edgecolor=INK,
        zorder=3,
    )
    if crowded:
        counts = counts[counts["tiles"] > 1]
    for degC, dwell_s, count in counts.itertuples(index=False, name=None):
        axes.text(
            degC, dwell_s, f"{count}", ha="center", va="center_baseline", zorder=4,
            fontsize=SMALL_PT,
        )  # fmt: skip


def _draw_loads(part: SubFigure, plan: Plan) -> None:
    axes = part.subplots()
    loads = plan.tiles.groupby("load").agg(
        degC=("temperature_degC", "first"),
        session=("session", "first"),
        tiles=("tile", "size"),
    )
    axes.step(loads.index, loads["degC"], where="mid", color=QUIET, linewidth=1.2, zorder=2)
    axes.scatter(
        loads.index, loads["degC"], s=210, marker="s", facecolor=_TILE_FILL, edgecolor=INK,
        zorder=3,
    )  # fmt: skip
    for load, degC, tiles in zip(loads.index, loads["degC"], loads["tiles"], strict=True):
        axes.text(
            load, degC, f"{tiles}", ha="center", va="center_baseline", fontsize=SMALL_PT,
            zorder=4,
        )  # fmt: skip
    _mark_sessions(axes, loads["session"])
    spread = max(float(np.ptp(loads["degC"])), 5.0)
    axes.set_ylim(loads["degC"].min() - 0.15 * spread, loads["degC"].max() + 0.32 * spread)
    axes.set_xlim(loads.index.min() - 0.6, loads.index.max() + 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=12, integer=True))
    axes.set_xlabel("load, in the order of firing")
    axes.set_ylabel("temperature (°C)")
    side = axes.secondary_yaxis("right", functions=(degF_of_degC, degC_of_degF))
    side.set_ylabel("temperature (°F)")
    part.suptitle("Loads: temperature, and the number of tiles in each", weight="bold")


def _mark_sessions(axes: Axes, session: pd.Series[Any]) -> None:
    for number, loads in session.groupby(session):
        first, last = loads.index.min() - 0.5, loads.index.max() + 0.5
        shaded = int(str(number)) % 2 == 0
        axes.axvspan(first, last, color=UNFIRED if shaded else PAPER, zorder=0, linewidth=0)
        words = f"session {number}" if last - first > 3 else f"s. {number}"
        axes.text(
            (first + last) / 2, 0.97, words, ha="center", va="top", fontsize=SMALL_PT,
            transform=axes.get_xaxis_transform(),
        )  # fmt: skip
