"""How alike studios are: each one's shift in degC, and h and k of what they share."""

from __future__ import annotations

import textwrap

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from firelab.charts.axes import other_difference
from firelab.charts.style import (
    HIGH_EDGE,
    INK,
    LOW_EDGE,
    QUIET,
    drawn_figure,
)
from firelab.craft.degrees import PER_DEGC, SIGN, other_unit
from firelab.studios.pooling.pool_fit import PooledStage
from firelab.studios.pooling.pooling import Pooling

_ROW_IN = 0.34
_PANEL_IN = 2.1
_LEGEND_IN = 0.21
_LEGEND_WIDTH = 44
"""Letters of a legend's line beside which a panel keeps its width (looked at)."""
_EDGE_MARKS = ("o", "s", "^", "D", "v", "P", "X", "*", "<", ">", "d", "p", "h", "8")


def draw_consistency(pooling: Pooling) -> Figure:
    """Draw shifts of the studios, and their h and k where enough is shared.

    Returns
    -------
    Figure
        Dashed lines are critical values at 0.5 %.

    Examples
    --------
    >>> import firelab
    >>> parts = [
    ...     firelab.read_part(firelab.start_demo(seed=seed), name)
    ...     for seed, name in enumerate(("north", "south"))]
    >>> firelab.charts.studios(firelab.pool_parts(parts))
    <Figure size ...>
    """
    fit = pooling.fit
    asked = (
        ("h", "edges", pooling.edges),
        ("h", "scores", pooling.scores),
        ("k", "scores", pooling.scores),
    )
    # Where nothing was repeated there is no k.
    found = [
        (letter, what, of.cells.dropna(subset=letter))
        for letter, what, of in asked
        if of is not None
    ]
    panels = [panel for panel in found if len(panel[-1])]
    heights = [1.5 + _ROW_IN * len(fit.studios)]
    for _, _, cells in panels:
        lines = "\n".join(_legend_labels(cells).values()).count("\n") + 1
        heights.append(_PANEL_IN + _LEGEND_IN * lines)
    series = fit.shared.series
    title = f"{series.enamel.colour}: studios compared"
    with drawn_figure(sum(heights), title, invented=series.invented) as figure:
        grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
        _draw_shifts(figure.add_subplot(grid[0]), fit)
        for place, (letter, what, cells) in enumerate(panels, start=1):
            _draw_statistic(figure.add_subplot(grid[place]), cells, letter, what)
    return figure


def _legend_labels(cells: pd.DataFrame) -> dict[str, str]:
    """Return each material of some cells, as lines beside which a panel keeps its width."""
    return {one: textwrap.fill(one, _LEGEND_WIDTH) for one in cells["material"].unique()}


def _draw_shifts(axes: Axes, fit: PooledStage) -> None:
    table, reads = fit.table, fit.shared.series.kiln.reads
    scale = PER_DEGC[reads]
    rows = np.arange(len(table))
    wanted = [("shift", "o", INK, "in all", -0.14)]
    if fit.has_control:
        wanted.append(("kiln", "D", LOW_EDGE, "its kiln", 0.14))
    for name, marker, colour, label, step in wanted:
        middle = scale * table[f"{name}_degC"].to_numpy()
        ends = scale * table[[f"{name}_lower", f"{name}_upper"]].to_numpy()
        axes.errorbar(
            middle,
            rows + step,
            xerr=np.abs(ends - middle[:, None]).T,
            fmt=marker,
            color=colour,
            capsize=3,
            markersize=7,
            label=label,
        )
    axes.axvline(0, color=QUIET, linewidth=1, linestyle="--")
    axes.set_yticks(rows, table["studio"].tolist())
    axes.set_ylim(len(table) - 0.5, -0.5)
    axes.set_xlabel(f"fuses earlier than the mean of these studios by, {SIGN[reads]}")
    level = f"{fit.shared.series.window.level:.0%}"
    other = axes.secondary_xaxis("top", functions=other_difference(reads))
    other.set_xlabel(f"{SIGN[other_unit(reads)]} (bars: {level} intervals)")
    if fit.has_control:
        axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.26), ncols=2)


def _draw_statistic(axes: Axes, cells: pd.DataFrame, letter: str, what: str) -> None:
    limit = cells[f"{letter}_critical"]
    # Where not every studio shares every material, the limits differ: draw shares.
    by_limit = bool((limit != limit.iloc[0]).any())
    height = cells[letter] / limit if by_limit else cells[letter]
    bound = 1.0 if by_limit else float(limit.iloc[0])
    out = cells["stands_out"].str.contains(letter).to_numpy()
    studios = sorted(cells["studio"].unique())
    labels = _legend_labels(cells)
    offsets = np.linspace(-0.32, 0.32, max(len(labels), 2))
    for place, (material, label) in enumerate(labels.items()):
        rows = (cells["material"] == material).to_numpy()
        x = np.array([studios.index(one) for one in cells["studio"][rows]])
        axes.scatter(
            x + offsets[place],
            height[rows],
            marker=_EDGE_MARKS[place % len(_EDGE_MARKS)],
            s=42,
            facecolors=[HIGH_EDGE if one else "none" for one in out[rows]],
            edgecolors=INK,
            label=label,
        )
    signs = (-1, 1) if letter == "h" else (1,)
    for sign in signs:
        axes.axhline(sign * bound, color=HIGH_EDGE, linewidth=1.2, linestyle="--")
    axes.axhline(0, color=QUIET, linewidth=1)
    reach = 1.25 * max(bound, float(height.abs().max()))
    axes.set_ylim(-reach if letter == "h" else 0, reach)
    axes.set_xticks(range(len(studios)), studios)
    axes.set_ylabel(f"{letter} / critical {letter}" if by_limit else letter)
    meaning = "how far its mean stands off" if letter == "h" else "how wide it scatters"
    axes.set_title(f"{what}, {letter}: {meaning}; filled stands out", loc="left")
    axes.legend(loc="upper left", bbox_to_anchor=(0, -0.16), borderaxespad=0, ncols=1)
