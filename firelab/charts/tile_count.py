"""How many tiles a window costs: width of its edges against the number of tiles."""

from __future__ import annotations

from typing import Any

import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from firelab.charts.axes import other_difference
from firelab.charts.style import (
    drawn_figure,
)
from firelab.craft.degrees import PER_DEGC, SIGN, other_unit

_COLOURS = ("#0b3c6f", "#b3391f", "#2f7f86", "#1a1a1a", "#8a6d1d", "#6b3f7a")
_MARKERS = ("o", "s", "^", "D", "X", "P")
_DASHES: tuple[Any, ...] = ("", (4, 1.5), (1, 1), (5, 1, 1, 1), (8, 2), (2, 2))


def draw_tile_count(
    table: pd.DataFrame, *, reads: str = "degF", invented: bool = False
) -> Figure:
    """Draw the expected width of the edges and the chance of a recipe.

    Parameters
    ----------
    table : DataFrame
        Tidy, one row per plan: ``kind`` (name of the plan kind), ``tiles``,
        ``width_degC`` (expected width of an edge's interval) and ``chance`` (of
        an assured recipe, 0 to 1). With ``width_lower_degC`` and
        ``width_upper_degC``, nine tries in ten as a bar. At most six kinds.
    reads : {'degF', 'degC'}, default 'degF'
        Unit of the kiln's display.
    invented : bool, default False
        Say on the figure that the data are invented.

    Returns
    -------
    Figure
        Width in the kiln's unit at the left, the other at the right; chance below.

    Examples
    --------
    >>> import firelab
    >>> series = firelab.read_series(firelab.start_demo())
    >>> plan = firelab.make_plan(series)
    >>> tried = [firelab.PlannedCandidate(kind="factorial", plan=plan)]
    >>> foreseen = firelab.foresee(series, tried, n_tries=2, n_jobs=1)
    >>> firelab.charts.foresight(foreseen.table)
    <Figure size ... with 2 Axes>
    """
    kinds = list(dict.fromkeys(table["kind"].astype(str)))
    widths = table.filter(like="width") * PER_DEGC[reads]
    named = table.assign(**widths, kind=table["kind"].astype(str))
    frame = _side_by_side(named, kinds)
    title = "What more tiles are worth (simulated firings)"
    with drawn_figure(6.8, title, invented=invented) as figure:
        width, chance = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        _draw_lines(width, frame, "width_degC", kinds, legend=True)
        if "width_lower_degC" in frame:
            _draw_tries(width, frame, kinds)
        _draw_lines(chance, frame, "chance", kinds, legend=False)
        width.set_ylim(0.0, None)
        width.set_ylabel(f"width of an edge's interval ({SIGN[reads]})")
        side = width.secondary_yaxis("right", functions=other_difference(reads))
        side.set_ylabel(f"({SIGN[other_unit(reads)]})")
        chance.set_ylim(-0.03, 1.03)
        chance.set_ylabel("chance of a recipe")
        chance.set_xlabel("tiles")
        chance.xaxis.set_major_locator(MaxNLocator(integer=True))
    return figure


def _side_by_side(frame: pd.DataFrame, kinds: list[str]) -> pd.DataFrame:
    """Set kinds of the same size a little apart, so that none hides another."""
    step = 0.012 * float(frame["tiles"].max() - frame["tiles"].min())
    place = frame["kind"].map({kind: k for k, kind in enumerate(kinds)}).astype(float)
    return frame.assign(at=frame["tiles"] + step * (place - (len(kinds) - 1) / 2))


def _draw_tries(axes: Axes, frame: pd.DataFrame, kinds: list[str]) -> None:
    for kind, colour in zip(kinds, _COLOURS, strict=False):
        rows = frame[frame["kind"] == kind]
        axes.vlines(
            rows["at"],
            rows["width_lower_degC"],
            rows["width_upper_degC"],
            color=colour,
            linewidth=1.4,
            alpha=0.7,
        )


def _draw_lines(
    axes: Axes, frame: pd.DataFrame, column: str, kinds: list[str], *, legend: bool
) -> None:
    sns.lineplot(
        data=frame,
        x="at",
        y=column,
        hue="kind",
        hue_order=kinds,
        style_order=kinds,
        style="kind",
        palette=dict(zip(kinds, _COLOURS, strict=False)),
        markers=dict(zip(kinds, _MARKERS, strict=False)),
        dashes=dict(zip(kinds, _DASHES, strict=False)),
        markersize=9,
        linewidth=1.8,
        errorbar=None,
        legend="full" if legend else False,
        ax=axes,
    )
    axes.set_xlabel("")
    if legend:
        axes.legend(title="", handlelength=3.5)
    axes.grid(visible=True, axis="y", color="#dcdcdc")
