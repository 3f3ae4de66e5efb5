"""The recipe on the map, with its tolerance box, and the keys that name what is drawn."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from firelab.charts.axes import write_dwell
from firelab.charts.edge_marks import edge_keys
from firelab.charts.style import INK, PAPER
from firelab.windows.window import FiringWindows, Recipe, SettingWindow


def draw_recipe(axes: Axes, window: SettingWindow) -> None:
    """Draw the recipe with its room, or a hollow star at the best there is."""
    shown = window.recipe or window.best
    if window.recipe is not None:
        for width, colour in ((3.6, PAPER), (1.8, INK)):
            axes.add_patch(_tolerance_box(window.recipe, colour, width))
    axes.plot(
        [shown.temperature_degC],
        [shown.dwell_s],
        linestyle="none",
        **_recipe_mark(window),
        zorder=7,
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
        zorder=8,
    )


def _recipe_mark(window: SettingWindow) -> dict[str, Any]:
    return {
        "marker": "*",
        "markersize": 20,
        "markerfacecolor": "#ffe27a" if window.recipe else PAPER,
        "markeredgecolor": INK,
        "markeredgewidth": 1.4,
    }


def region_keys(windows: FiringWindows, window: SettingWindow) -> list[Line2D | Patch]:
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
        *_recipe_keys(window),
    ]


def _recipe_keys(window: SettingWindow) -> list[Line2D | Patch]:
    shown = window.recipe or window.best
    at = f"{shown.temperature_degC:.0f} °C, {write_dwell(shown.dwell_s)}"
    words = f"recipe {at}" if window.recipe else f"best, not assured:\n{at}"
    star = Line2D([], [], linestyle="none", **_recipe_mark(window), label=words)
    if window.recipe is None:
        return [star]
    room = f"room ± {shown.tolerance_degC:.0f} °C, ± {write_dwell(shown.tolerance_s)}"
    return [star, Patch(fill=False, edgecolor=INK, lw=1.8, label=room)]
