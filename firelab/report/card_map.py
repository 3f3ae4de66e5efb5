"""A small map of the window in greys: fired range, assured region, tolerance box."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from firelab.craft.units import to_degF
from firelab.sheets.page_size import MM, Box
from firelab.sheets.pen import Pen
from firelab.windows.window import ProbabilityMap, Recipe

_LEFT, _ABOVE, _BELOW = 15 * MM, 10 * MM, 17 * MM
_MOST_TICKS = 4
ASSURED_GREY, LIKELY_GREY = 0.62, 0.86


def draw_card_map(
    pen: Pen,
    box: Box,
    shown: ProbabilityMap,
    recipe: Recipe,
    *,
    probability: float,
    confidence: float,
) -> None:
    """Draw temperature by dwell with the region that a recipe may come from.

    Parameters
    ----------
    pen : Pen
    box : Box
        Filled whole.
    shown : ProbabilityMap
        degC, s; drawn over the fired range and no further.
    recipe : Recipe
        Marked with a cross, and its tolerance box where it has room.
    probability, confidence : float
        What was asked.
    """
    plot = Box(
        left=box.left + _LEFT,
        top=box.top + _ABOVE,
        width=box.width - _LEFT - 3 * MM,
        height=box.height - _ABOVE - _BELOW,
    )
    likely = shown.probability >= probability
    assured = shown.assurance >= confidence
    _draw_cells(pen, plot, likely, LIKELY_GREY)
    _draw_cells(pen, plot, assured, ASSURED_GREY)
    pen.rectangle(plot, weight=1.2)
    _draw_axes(pen, plot, shown)
    _draw_recipe(pen, plot, shown, recipe)
    if not likely.any():
        nowhere = f"nowhere likely {probability:.0%}"
        pen.line(plot.upper(8 * MM), nowhere, 9, align="centre")
    _draw_key(pen, box, probability, confidence)


def _ends(values: NDArray[np.float64]) -> tuple[float, float]:
    return float(np.min(values)), float(np.max(values))


def _share(value: float, ends: tuple[float, float]) -> float:
    return (value - ends[0]) / (ends[1] - ends[0]) if ends[1] > ends[0] else 0.5


def _draw_cells(pen: Pen, plot: Box, wanted: NDArray[np.bool_], grey: float) -> None:
    """Fill the cells that are wanted, runs of a row as one; dwell upwards."""
    rows, columns = wanted.shape
    for row in range(rows):
        column = 0
        for value, run in itertools.groupby(wanted[row]):
            length = len(list(run))
            if value:
                cell = Box(
                    left=plot.left + plot.width * column / columns,
                    top=plot.bottom - plot.height * (row + 1) / rows,
                    width=plot.width * length / columns,
                    height=plot.height / rows,
                )
                pen.rectangle(cell, stroke=None, fill=grey)
            column += length


def round_ticks(low: float, high: float, steps: Sequence[float]) -> list[float]:
    """Return round values within two ends, a few at most.

    Examples
    --------
    >>> round_ticks(1310, 1495, (10, 25, 50, 100))
    [1350.0, 1400.0, 1450.0]
    """
    for step in steps:
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first < _MOST_TICKS:
            return [step * place * 1.0 for place in range(first, last + 1)]
    return [low, high]


def _draw_axes(pen: Pen, plot: Box, shown: ProbabilityMap) -> None:
    heats, dwells = _ends(shown.temperature_degC), _ends(shown.dwell_s)
    degF = to_degF(heats[0]), to_degF(heats[1])
    steps = (5, 10, 20, 25, 50, 100, 200)
    for ends, below, unit in ((degF, True, "°F"), (heats, False, "°C")):
        edge = plot.bottom if below else plot.top
        for tick in round_ticks(*ends, steps):
            x = plot.left + plot.width * _share(tick, ends)
            pen.rule(x, edge, x, edge + (1.5 if below else -1.5) * MM)
            top = edge + 1.6 * MM if below else edge - 5.4 * MM
            words = Box(left=x - 9 * MM, top=top, width=18 * MM, height=4 * MM)
            pen.line(words, f"{tick:.0f} {unit}", 8.5, align="centre")
    for tick in round_ticks(*dwells, (5, 10, 15, 30, 60, 120, 300, 600)):
        y = plot.bottom - plot.height * _share(tick, dwells)
        pen.rule(plot.left - 1.5 * MM, y, plot.left, y)
        words = Box(
            left=plot.left - _LEFT, top=y - 2 * MM, width=_LEFT - 2 * MM, height=4 * MM
        )
        pen.line(words, f"{tick:.0f} s", 8.5, align="right")


def _draw_recipe(pen: Pen, plot: Box, shown: ProbabilityMap, recipe: Recipe) -> None:
    heats, dwells = _ends(shown.temperature_degC), _ends(shown.dwell_s)

    def place(degC: float, dwell_s: float) -> tuple[float, float]:
        across = min(1.0, max(0.0, _share(degC, heats)))
        up = min(1.0, max(0.0, _share(dwell_s, dwells)))
        return plot.left + plot.width * across, plot.bottom - plot.height * up

    room_degC, room_s = recipe.tolerance_degC, recipe.tolerance_s
    left, bottom = place(recipe.temperature_degC - room_degC, recipe.dwell_s - room_s)
    right, top = place(recipe.temperature_degC + room_degC, recipe.dwell_s + room_s)
    room = Box(left=left, top=top, width=right - left, height=bottom - top)
    if room_degC > 0 or room_s > 0:
        pen.rectangle(room, weight=2.2)
    x, y = place(recipe.temperature_degC, recipe.dwell_s)
    arm = 2 * MM
    pen.rule(x - arm, y, x + arm, y, weight=2.0)
    pen.rule(x, y - arm, x, y + arm, weight=2.0)


def _draw_key(pen: Pen, box: Box, probability: float, confidence: float) -> None:
    """Name the greys below the map."""
    row = box.below(box.height - 10 * MM).inset(2 * MM, 0)
    named = (
        (ASSURED_GREY, f"{confidence:.0%} sure of {probability:.0%}"),
        (LIKELY_GREY, f"likely {probability:.0%}, not sure enough"),
    )
    for line, (grey, words) in zip(row.rows(1, 1), named, strict=True):
        swatch = Box(left=line.left, top=line.top + 0.8 * MM, width=6 * MM, height=3.4 * MM)
        pen.rectangle(swatch, fill=grey)
        pen.line(
            Box(
                left=line.left + 8 * MM,
                top=line.top,
                width=line.width - 8 * MM,
                height=line.height,
            ),
            words,
            8.5,
        )
