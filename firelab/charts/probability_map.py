"""The window as a map: probability of the target over temperature and dwell.

The recipe stands on it as a star with its tolerance box.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from firelab.charts.axes import (
    add_other_axis,
    set_dwell_axis,
    set_temperature_axis,
    write_dwell,
)
from firelab.charts.edge_plot import draw_edges, edge_keys
from firelab.charts.fired_tiles import (
    beyond_keys,
    clear_key,
    draw_clear_dots,
    draw_tiles,
    grade_keys,
    tiles_at,
    within_dwells,
)
from firelab.charts.style import (
    INK,
    PAPER,
    PROBABILITY_COLOURS,
    QUIET,
    UNFIRED_DOTS,
    add_two_column_legend,
    drawn_figure,
    grade_marks,
)
from firelab.craft.degrees import kiln_unit_alone
from firelab.craft.trade_words import setting_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_range,
    format_tolerance,
)
from firelab.records.records import Records
from firelab.windows.answer_words import word_answer
from firelab.windows.edges.fired_range import fired_dwells, fired_range
from firelab.windows.setting_window import ProbabilityMap, Recipe, SettingWindow
from firelab.windows.window import FiringWindows


def _draw_recipe(axes: Axes, window: SettingWindow) -> None:
    """Draw the recipe with its room, or a hollow star at the surest firing."""
    shown = window.recipe or window.best
    if window.recipe is not None:
        for width, colour in ((3.6, PAPER), (1.8, INK)):
            axes.add_patch(_tolerance_box(window.recipe, colour, width))
    axes.plot(
        [shown.temperature_degC],
        [shown.dwell_s],
        linestyle="none",
        **_recipe_mark(window),
        zorder=8,
    )


def _tolerance_box(recipe: Recipe, colour: str, width: float) -> Rectangle:
    return Rectangle(
        (
            recipe.temperature_degC - recipe.tolerance_degC,
            recipe.dwell_s - recipe.tolerance_s,
        ),
        2 * recipe.tolerance_degC,
        2 * recipe.tolerance_s,
        fill=False,
        edgecolor=colour,
        linewidth=width,
        zorder=5,
    )


def _recipe_mark(window: SettingWindow) -> dict[str, Any]:
    return {
        "marker": "*",
        "markersize": 14,
        "markerfacecolor": "#ffe27a" if window.recipe else PAPER,
        "markeredgecolor": INK,
        "markeredgewidth": 1.4,
    }


def _region_keys(windows: FiringWindows, window: SettingWindow) -> list[Line2D | Patch]:
    """Return the legend keys of everything but the tiles, the recipe last."""
    asked = f"probability {windows.probability:g}"
    if window.map.probability.max() < windows.probability:
        asked += ": nowhere"
    assured = f"assured at {windows.confidence:g}"
    if window.map.assurance.max() < windows.confidence:
        assured += ": nowhere"
    hatched: dict[str, Any] = {
        "fill": False,
        "edgecolor": INK,
        "hatch": "///",
        "linestyle": "dashed",
    }
    return [
        *edge_keys(windows.level),
        Line2D([], [], color=INK, lw=2.2, label=asked),
        Patch(**hatched, label=assured),
        *_recipe_keys(window, windows.reads),
    ]


def _recipe_keys(window: SettingWindow, reads: str) -> list[Line2D | Patch]:
    shown = window.recipe or window.best
    degrees = kiln_unit_alone(format_temperature(shown.temperature_degC, reads))
    at = f"{degrees}, {write_dwell(shown.dwell_s)}"
    words = f"recipe {at}" if window.recipe else f"surest, not assured:\n{at}"
    star = Line2D([], [], linestyle="none", **_recipe_mark(window), label=words)
    if window.recipe is None:
        return [star]
    room = kiln_unit_alone(format_tolerance(shown.tolerance_degC, reads))
    words = f"room ± {room}, ± {write_dwell(shown.tolerance_s)}"
    return [star, Patch(fill=False, edgecolor=INK, lw=1.8, label=words)]


_BANDS = np.linspace(0.0, 1.0, 11)
_MARGIN = 0.08
"""Share of the fired range shown beyond each end, as not fired."""


def draw_window_map(
    windows: FiringWindows,
    window: SettingWindow | None = None,
    records: Records | None = None,
) -> Figure:
    """Draw one setting's window, its fired tiles and its recipe.

    Parameters
    ----------
    windows : FiringWindows
        What was asked: probability, confidence, target.
    window : SettingWindow, optional
        One of `windows.windows`; by default the first, the widest assured.
    records : Records, optional
        The looks, drawn where they were fired.

    Returns
    -------
    Figure
        The kiln's unit along the bottom, the other along the top, dwell (min:s) on
        a log scale. Beyond the fired range the ground is marked, never coloured.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> windows = firelab.firing_windows(firelab.fit_stage(records))
    >>> firelab.charts.window_map(windows, records=records)
    <Figure size ... with 2 Axes>
    """
    chosen = window or windows.windows[0]
    window = replace(chosen, map=_as_strip(chosen.map))
    title = setting_words(window.setting)
    with drawn_figure(5.9, title, invented=windows.invented) as figure:
        axes = figure.add_subplot()
        _frame_axes(axes, window, windows.reads, records)
        bands = _draw_probability(axes, window, windows)
        draw_edges(axes, window.edges, _span(window), of_map=True)
        keys = [] if records is None else _draw_looks(axes, windows, window, records)
        _draw_recipe(axes, window)
        bar = figure.colorbar(bands, ax=axes, pad=0.02, fraction=0.06, ticks=_BANDS[::2])
        bar.set_label(f"probability of {windows.asked.target_words}")
        keys.append(Patch(**{**UNFIRED_DOTS, "hatch": ".."}, label="not fired"))
        add_two_column_legend(figure, keys, _region_keys(windows, window))
    return figure


def _draw_looks(
    axes: Axes, windows: FiringWindows, window: SettingWindow, records: Records
) -> list[Line2D | Patch]:
    """Draw the tiles that were fired at a setting, and return their keys."""
    tiles = tiles_at(records, window.setting)
    inside = within_dwells(tiles, fired_range(records.graded))
    grades = records.series.responses.stage.grades
    marks = grade_marks(grades, windows.target)
    draw_tiles(axes, inside, marks)
    counts = Counter(tiles["stage"].astype(str))
    keys: list[Line2D | Patch] = [*grade_keys(grades, marks, counts)]
    if windows.score_target is not None:
        draw_clear_dots(axes, inside, records)
        keys.append(clear_key(windows.score_target))
    return keys + beyond_keys(len(tiles) - len(inside))


def describe_window_map(windows: FiringWindows, window: SettingWindow) -> str:
    """Say in words what the map shows, for who cannot see it."""
    target = windows.asked.target_words
    highest = float(window.map.probability.max())
    words = (
        f"Map of the probability of {target} at {setting_words(window.setting)}, over "
        f"{format_temperature_range(*_span(window), windows.reads)} and dwells of "
        f"{format_duration(float(window.map.dwell_s[0]))} to "
        f"{format_duration(float(window.map.dwell_s[-1]))}. "
        f"The highest probability is {highest:.2f}; {window.assured_share:.0%} of the "
        "fired range is assured. "
    )
    if window.recipe is None:
        return words + "There is no assured recipe."
    return words + word_answer(window, windows.asked).set_words


def _as_strip(field: ProbabilityMap) -> ProbabilityMap:
    """Return a map with room to be seen: one fired temperature or dwell is a thin strip."""
    degC, dwell = field.temperature_degC, field.dwell_s
    chance, sure = field.probability, field.assurance
    if len(degC) == 1:
        degC = degC[0] + np.array([-1.0, 1.0])
        chance, sure = np.repeat(chance, 2, axis=1), np.repeat(sure, 2, axis=1)
    if len(dwell) == 1:
        dwell = dwell[0] * np.array([1 / 1.02, 1.02])
        chance, sure = np.repeat(chance, 2, axis=0), np.repeat(sure, 2, axis=0)
    return ProbabilityMap(
        temperature_degC=degC, dwell_s=dwell, probability=chance, assurance=sure
    )


def _frame_axes(
    axes: Axes, window: SettingWindow, reads: str, records: Records | None
) -> None:
    degC, dwell = window.map.temperature_degC, window.map.dwell_s
    beyond = max(_MARGIN * float(degC[-1] - degC[0]), 5.0)
    ratio = max((float(dwell[-1]) / float(dwell[0])) ** _MARGIN, 1.06)
    # Twice as much below: the edges of the shortest dwell stand there.
    low, high = float(dwell[0]) / ratio**2, float(dwell[-1]) * ratio
    set_temperature_axis(
        axes.xaxis, float(degC[0]) - beyond, float(degC[-1]) + beyond, reads
    )
    add_other_axis(axes, reads)
    dwells = [edges.dwell_s for edges in window.edges]
    if records is not None:
        planned = records.series.factors.levels("dwell")
        dwells = [*fired_dwells(records.graded), *(float(one) for one in planned)]
    set_dwell_axis(axes, low, high, dwells)
    axes.patch.set(**UNFIRED_DOTS)


def _draw_probability(
    axes: Axes, window: SettingWindow, windows: FiringWindows
) -> QuadContourSet:
    field = window.map
    across, up = field.temperature_degC, field.dwell_s
    bands = axes.contourf(
        across, up, field.probability, levels=_BANDS, cmap=PROBABILITY_COLOURS, zorder=1
    )
    bands.set_edgecolor("face")
    if np.ptp(field.probability) > 0:
        asked = [windows.probability]
        axes.contour(
            across,
            up,
            field.probability,
            levels=asked,
            colors=INK,
            linewidths=2.2,
            zorder=4,
        )
    if field.assurance.max() >= windows.confidence:
        _draw_assured(axes, window, windows.confidence)
    axes.add_patch(_outline(across, up))
    return bands


def _draw_assured(axes: Axes, window: SettingWindow, confidence: float) -> None:
    field = window.map
    grid = (field.temperature_degC, field.dwell_s, field.assurance)
    region = axes.contourf(
        *grid, levels=[confidence, 1.001], colors="none", hatches=["///"], zorder=2
    )
    region.set_edgecolor(INK)
    region.set_linewidth(0.0)
    if field.assurance.min() < confidence:
        axes.contour(
            *grid,
            levels=[confidence],
            colors=INK,
            linewidths=1.4,
            linestyles="dashed",
            zorder=4,
        )


def _span(window: SettingWindow) -> tuple[float, float]:
    return float(window.map.temperature_degC[0]), float(window.map.temperature_degC[-1])


def _outline(across: Any, up: Any) -> Rectangle:
    return Rectangle(
        (float(across[0]), float(up[0])),
        float(across[-1] - across[0]),
        float(up[-1] - up[0]),
        fill=False,
        edgecolor=QUIET,
        linewidth=0.8,
        zorder=3,
    )
