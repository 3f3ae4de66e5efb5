"""The plan at a glance: where the tiles go, the loads in order, what it uses up."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import SubplotSpec
from matplotlib.ticker import MaxNLocator

from firelab.charts.axes import (
    add_other_axis,
    other_functions,
    set_dwell_axis,
    set_temperature_axis,
)
from firelab.charts.fired_tiles import planned_settings, rows_at
from firelab.charts.style import (
    INK,
    PAPER,
    QUIET,
    SMALL_PT,
    UNFIRED,
    drawn_figure,
)
from firelab.craft.degrees import SIGN, other_unit
from firelab.craft.trade_words import count_words, distinct_names, shared_name
from firelab.craft.units import format_temperature
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries

_FILL = "#4a98a6"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBar:
    """One bar: its name, the share that is filled (None: no bar), and the number."""

    name: str
    share: float | None
    number: str


def _use_bars(plan: Plan) -> list[PlanBar]:
    """Return what is needed of what there is, as the plan counts them."""
    bars = []
    for name, one in plan.figures.get("budget", {}).items():
        needed, there = float(one["needed"]), one["there"]
        if there is None:
            number, share = f"{needed:g}, no limit stated", None
        else:
            number = f"{needed:g} of {there:g}" + (" too much" if needed > there else "")
            share = min(needed / there, 1.0) if there else 1.0
        bars.append(PlanBar(name=_with_unit(str(name)), share=share, number=number))
    return bars


def _chance_bars(plan: Plan) -> list[PlanBar]:
    """Return the chance to see the stated shift in each effect."""
    power = {name: one["power"] for name, one in plan.figures.get("power", {}).items()}
    return [
        PlanBar(name=_column_words(name), share=chance, number=f"{chance * 100:.0f} in 100")
        for name, chance in power.items()
        if chance is not None
    ]


def _with_unit(name: str) -> str:
    if name.startswith("powder"):
        return f"{name.removeprefix('powder of ')} (g)"
    return f"{name} (h)" if "time" in name else name


def _draw_bars(axes: Axes, title: str, bars: Sequence[PlanBar]) -> None:
    """Draw bars under each other, each with its name and its number."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 2.7)
    axes.set_ylim(len(bars) - 0.4, -0.6)
    axes.set_title(title, weight="bold")
    for place, bar in enumerate(bars):
        axes.text(1.03, place, bar.name, ha="right", va="center")
        if bar.share is None:
            axes.text(1.1, place, bar.number, va="center")
            continue
        axes.barh(place, 0.8, left=1.1, height=0.5, facecolor=PAPER, edgecolor=INK)
        axes.barh(
            place, 0.8 * bar.share, left=1.1, height=0.5, facecolor=_FILL, edgecolor=INK
        )
        axes.text(1.97, place, bar.number, va="center")


_TILE_FILL = "#cfdfd2"
_CROWDED = 30
"""Places of one panel above which the numbers are left out."""


def draw_plan_chart(series: FiringSeries, plan: Plan) -> Figure:
    """Draw a plan for who plans no experiments.

    Returns
    -------
    Figure
        At the top, how many tiles go to which temperature and
        dwell, one panel per setting; then each load's temperature in the order
        of firing, with its tiles and its session; then what is used of what
        there is, and how likely a real effect is to show.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.charts.plan(records.series, records.plan)
    <Figure size ... with 5 Axes>
    """
    settings = planned_settings(plan)
    rows = -(-len(settings) // _columns(settings))
    shift = plan.figures.get("shift_sd", 0.0)
    bars = {
        "What it uses of what there is": _use_bars(plan),
        f"Chance to see a shift of {shift:g} sd, end to end": _chance_bars(plan),
    }
    shown = {title: listed for title, listed in bars.items() if listed}
    heights = [0.7 + 1.8 * rows, 2.6, *(0.5 + 0.29 * len(one) for one in shown.values())]
    title, height_in = _title(plan, settings), 1.0 + sum(heights)
    with drawn_figure(height_in, title, invented=series.invented) as figure:
        places = figure.add_gridspec(len(heights), 1, height_ratios=heights)
        _draw_places(figure, places[0], series, plan, settings)
        _draw_loads(figure.add_subplot(places[1]), plan, series.kiln.reads)
        for place, (name, listed) in enumerate(shown.items(), start=2):
            _draw_bars(figure.add_subplot(places[place]), name, listed)
    return figure


def _title(plan: Plan, settings: Sequence[Mapping[str, Any]]) -> str:
    loads, sessions = plan.tiles["load"].nunique(), plan.tiles["session"].nunique()
    return (
        f"{plan.kind} plan: {count_words(plan.n_tiles, 'tile')} in "
        f"{count_words(loads, 'load')}, {count_words(sessions, 'session')}\n"
        f"{shared_name(settings)}"
    )


def describe_plan_chart(plan: Plan, reads: str = "degF") -> str:
    """Say in words what the chart shows."""
    loads = plan.tiles.drop_duplicates("load").sort_values("load")
    order = ", ".join(format_temperature(t, reads) for t in loads["temperature_degC"])
    return f"Plan of {plan.n_tiles} tiles. Loads in the order of firing: {order}."


def _columns(settings: Sequence[Any]) -> int:
    return 1 if len(settings) == 1 else 2


def _draw_places(
    figure: Figure,
    place: SubplotSpec,
    series: FiringSeries,
    plan: Plan,
    settings: Sequence[Mapping[str, Any]],
) -> None:
    columns = _columns(settings)
    ticks = 6 if columns == 1 else 4
    rows = -(-len(settings) // columns)
    grid = place.subgridspec(rows, columns)
    panels = grid.subplots(sharex=True, sharey=True, squeeze=False)
    tested = plan.tiles[plan.tiles["role"] != "control"]
    names = distinct_names(settings)
    for number, axes in enumerate(panels.flat):
        axes.set_visible(number < len(settings))
        if number >= len(settings):
            continue
        _draw_counts(axes, series, rows_at(tested, settings[number]), ticks=ticks)
        axes.set_title(textwrap.fill(names[number], 26), pad=6)
        if number < columns:
            add_other_axis(axes, series.kiln.reads, ticks=ticks)
        lowest = number >= len(settings) - columns
        if not lowest:
            axes.set_xlabel("")
        axes.tick_params(labelbottom=lowest)
        axes.set_ylabel("dwell (min:s)" if number % columns == 0 else "")


def _draw_counts(
    axes: Axes, series: FiringSeries, tiles: pd.DataFrame, *, ticks: int
) -> None:
    low, high = series.span("temperature")
    short, long = series.span("dwell")
    beyond = max(0.1 * (high - low), 2.0)
    ratio = max((long / short) ** 0.18, 1.05)
    reads = series.kiln.reads
    set_temperature_axis(axes.xaxis, low - beyond, high + beyond, reads, ticks=ticks)
    levels = [float(level) for level in series.factors.levels("dwell")]
    set_dwell_axis(axes, short / ratio, long * ratio, levels)
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


def _draw_loads(axes: Axes, plan: Plan, reads: str) -> None:
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
    ends = loads["degC"].min() - 0.15 * spread, loads["degC"].max() + 0.32 * spread
    set_temperature_axis(axes.yaxis, *ends, reads)
    axes.set_xlim(loads.index.min() - 0.6, loads.index.max() + 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=12, integer=True))
    axes.set_xlabel("load, in the order of firing")
    side = axes.secondary_yaxis("right", functions=other_functions(reads))
    side.set_ylabel(f"temperature ({SIGN[other_unit(reads)]})")
    axes.set_title("Loads: temperature, and tiles in each", weight="bold")


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


def _column_words(column: str) -> str:
    """Return a column of the model by the factors in it, in plain words.

    Examples
    --------
    >>> _column_words("base[hard clear]"), _column_words("temperature:mesh")
    ('base hard clear', 'temperature with mesh')
    """
    plain = column.replace("[", " ").replace("]", "").replace("^2", " squared")
    return plain.replace(":", " with ")
