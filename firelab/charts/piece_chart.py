"""How far each colour of a piece has come after each firing, against its window."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from firelab.charts.axes import write_dwell
from firelab.charts.style import (
    HIGH_EDGE,
    INK,
    LOW_EDGE,
    PROBABILITY_COLOURS,
    QUIET,
    SMALL_PT,
    drawn_figure,
)
from firelab.craft.degrees import SIGN
from firelab.craft.units import to_degF

if TYPE_CHECKING:
    from firelab.piece.answer import ColourOdds, PiecePlan

_PANEL_IN, _REST_IN = 1.5, 1.6
_NAME_WIDTH = 18
"""Letters of a colour's name that fit beside its panel."""
_REACH = 1.5
"""Widths of the wanted grade that are shown beyond either edge (chosen here): further
off is drawn at the end."""


def draw_piece(plan: PiecePlan) -> Figure:
    """Draw a piece: a panel a colour, its maturity after each firing it goes through.

    The band is where it is as wanted; a bar holds 8 of 10 pieces.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> import firelab
    >>> home = Path(tempfile.mkdtemp())
    >>> colours = [firelab.start_demo(home / name) for name in ("heron", "teal")]
    >>> _ = firelab.start_piece(home / "bowl", colours)
    >>> firelab.charts.piece(firelab.plan_piece(home / "bowl"))
    <Figure size ...>
    """
    colours = sorted(plan.best.colours, key=lambda one: one.laid)
    share = round(100 * plan.best.probability)
    title = f"{plan.name}: expect {share} of 100 such pieces as wanted"
    height_in = _REST_IN + _PANEL_IN * len(colours)
    with drawn_figure(height_in, title, invented=plan.invented) as figure:
        panels = figure.subplots(len(colours), 1, sharex=True, squeeze=False)[:, 0]
        for axes, one in zip(panels, colours, strict=True):
            _draw_colour(axes, one, len(plan.best.firings))
        places = np.arange(1, len(plan.best.firings) + 1)
        panels[-1].set_xticks(places, _firing_words(plan))
        panels[-1].set_xlim(0.5, places[-1] + 0.5)
        handles = [
            Patch(facecolor=PROBABILITY_COLOURS(0.35), edgecolor=INK, label="as wanted"),
            Line2D([], [], color=INK, marker="o", label="median, 8 of 10 pieces"),
            Line2D([], [], color=LOW_EDGE, ls="--", label="not far enough below"),
            Line2D([], [], color=HIGH_EDGE, ls="-", label="too far above"),
        ]
        figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure


def _draw_colour(axes, one: ColourOdds, n_firings: int) -> None:  # type: ignore[no-untyped-def]
    axes.axhspan(0.0, 1.0, facecolor=PROBABILITY_COLOURS(0.35), zorder=0)
    if one.has_low:
        axes.axhline(0.0, color=LOW_EDGE, ls="--", lw=1.4)
    if one.has_high:
        axes.axhline(1.0, color=HIGH_EDGE, ls="-", lw=1.4)
    places = np.arange(one.laid, n_firings + 1)
    low, middle, high = np.clip(np.array(one.maturity).T, -_REACH, 1.0 + _REACH)
    axes.vlines(places, low, high, color=INK, lw=2.2)
    axes.plot(places, middle, color=INK, marker="o", ms=6, lw=1.0, ls=":")
    axes.set_ylim(-_REACH - 0.15, 1.15 + _REACH)
    axes.set_yticks([])
    name = textwrap.fill(one.name, _NAME_WIDTH)
    axes.set_ylabel(f"{name}\n{' or '.join(one.wanted)}", fontsize=SMALL_PT)
    axes.text(
        0.995,
        0.04,
        f"{round(100 * one.probability)} of 100",
        transform=axes.transAxes,
        ha="right",
        fontsize=SMALL_PT,
        color=QUIET,
    )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _firing_words(plan: PiecePlan) -> list[str]:
    in_unit = to_degF if plan.reads == "degF" else float
    return [
        f"firing {number}\n{in_unit(one.temperature_degC):.0f} {SIGN[plan.reads]}, "
        f"{write_dwell(one.dwell_s)}"
        for number, one in enumerate(plan.best.firings, start=1)
    ]
