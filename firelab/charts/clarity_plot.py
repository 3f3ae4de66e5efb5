"""The clearness score against temperature, one panel per setting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from firelab.charts.axes import add_other_axis, set_temperature_axis, write_dwell
from firelab.charts.fired_tiles import planned_settings, rows_at
from firelab.charts.style import (
    HIGH_EDGE,
    INK,
    LOW_EDGE,
    SMALL_PT,
    TEXT_PT,
    drawn_figure,
)
from firelab.craft.trade_words import distinct_names, shared_name
from firelab.fits.clarity.clarity import scored_tiles
from firelab.fits.clarity.fit import ClarityFit
from firelab.records.records import Records
from firelab.series.responses import TransparencyResponse
from firelab.windows.edges.fired_range import FiredRange, fired_range

_POINTS = 61
_ENDS: tuple[dict[str, Any], ...] = (
    {"color": LOW_EDGE, "linestyle": "-", "marker": "o"},
    {"color": HIGH_EDGE, "linestyle": "--", "marker": "s"},
)
"""How the shortest and the longest dwell are drawn."""


def draw_clarity_plot(clarity: ClarityFit, records: Records) -> Figure:
    """Draw the scores of fused tiles with the expected score and its interval.

    Returns
    -------
    Figure
        Score by temperature. Two lines: the shortest and the longest dwell
        that was fired, each with the interval of the mean at the series' level;
        a tile carries the mark of the dwell that is nearer on the ln scale.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.charts.clearness(firelab.fit_clarity(records), records)
    <Figure size ... with 2 Axes>
    """
    series, counted = records.series, scored_tiles(records)
    settings = planned_settings(records.plan)
    fired = fired_range(records.graded)
    dwells = sorted({fired.shortest_s, fired.longest_s})
    names, reads = distinct_names(settings), series.kiln.reads
    title = f"Clearness of fused tiles: {shared_name(settings)}"
    height_in = 2.2 + 1.9 * len(settings)
    with drawn_figure(height_in, title, invented=series.invented) as figure:
        panels = figure.subplots(len(settings), 1, sharex=True, sharey=True, squeeze=False)[
            :, 0
        ]
        for axes, setting, name in zip(panels, settings, names, strict=True):
            _draw_expected(axes, clarity, setting, dwells, fired)
            _draw_scores(axes, rows_at(counted.tiles, setting), dwells)
            _frame_scores(axes, counted.scale)
            axes.set_title(name, loc="left")
            low, high = fired.coolest_degC, fired.hottest_degC
            beyond = max(0.04 * (high - low), 2.0)
            set_temperature_axis(axes.xaxis, low - beyond, high + beyond, reads)
        for axes in panels[:-1]:
            axes.set_xlabel("")
        add_other_axis(panels[0], reads)
        figure.supylabel(f"score ({counted.scale.direction})", fontsize=TEXT_PT)
        figure.legend(
            handles=_keys(dwells, series.window.level), loc="outside lower center", ncols=2
        )
    return figure


def describe_clarity_plot(records: Records) -> str:
    """Say in words what the plot shows."""
    counted = scored_tiles(records)
    scores = counted.tiles["transparency"]
    enough = int((counted.scale.sign * (scores - counted.scale.target) >= 0).sum())
    return (
        f"Clearness score against temperature: {len(scores)} fused tiles were scored, "
        f"{enough} of them at the target of {counted.scale.target:g} or better."
    )


def _draw_expected(
    axes: Axes,
    clarity: ClarityFit,
    setting: Mapping[str, Any],
    dwells: Sequence[float],
    fired: FiredRange,
) -> None:
    series = clarity.series
    degC = np.linspace(fired.coolest_degC, fired.hottest_degC, _POINTS)
    tail = (1.0 - series.window.level) / 2.0
    for dwell_s, look in zip(dwells, _ENDS, strict=False):
        grid = pd.DataFrame({"temperature_degC": degC, "dwell_s": dwell_s}).assign(
            **setting
        )
        grid = grid[clarity.design.near_target(grid)]
        if grid.empty:
            continue
        mean = clarity.draws.mean_score(clarity.design.matrix(grid))
        low, middle, high = np.quantile(mean, [tail, 0.5, 1.0 - tail], axis=0)
        at = grid["temperature_degC"].to_numpy(dtype=float)
        axes.fill_between(at, low, high, color=look["color"], alpha=0.13, linewidth=0)
        thin = {"color": look["color"], "linestyle": look["linestyle"], "linewidth": 0.8}
        axes.plot(at, low, **thin)
        axes.plot(at, high, **thin)
        axes.plot(at, middle, color=look["color"], linestyle=look["linestyle"], lw=2.0)


def _draw_scores(axes: Axes, tiles: pd.DataFrame, dwells: Sequence[float]) -> None:
    middle = np.log(dwells).mean()
    longer = (np.log(tiles["dwell_s"]) > middle).to_numpy() & (len(dwells) > 1)
    places = tiles.groupby(["temperature_degC", "transparency"]).cumcount().to_numpy()
    for which, look in enumerate(_ENDS):
        chosen = longer == bool(which)
        if not chosen.any():
            continue  # an empty line would be laid out at the figure's corner
        axes.plot(
            tiles["temperature_degC"].to_numpy()[chosen] + 1.2 * places[chosen],
            tiles["transparency"].to_numpy()[chosen],
            linestyle="none",
            marker=look["marker"],
            markersize=7.5,
            color=look["color"],
            markeredgecolor=INK,
            zorder=4,
            clip_on=False,
        )


def _frame_scores(axes: Axes, scale: TransparencyResponse) -> None:
    margin = 0.06 * (scale.high - scale.low)
    axes.set_ylim(scale.low - margin, scale.high + margin)
    axes.axhline(scale.target, color=INK, linewidth=1.0, linestyle=":")
    axes.annotate(
        f"target {scale.target:g}",
        (0.005, scale.target),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=SMALL_PT,
    )


def _keys(dwells: Sequence[float], level: float) -> list[Line2D | Patch]:
    keys: list[Line2D | Patch] = [
        Line2D(
            [], [], **look, markeredgecolor=INK, lw=2.0, label=f"dwell {write_dwell(one)}"
        )
        for one, look in zip(dwells, _ENDS, strict=False)
    ]
    words = f"{level:.0%} interval of the mean"
    return [*keys, Patch(facecolor=INK, alpha=0.16, label=words)]
