"""A kiln over time: each session's offset, its moving average, their limits."""

from __future__ import annotations

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
from firelab.memory.kiln_watch import KilnHistory

_HEIGHT_IN = 5.0


def draw_kiln_chart(history: KilnHistory) -> Figure:
    """Draw a kiln over time, in its own unit.

    Returns
    -------
    Figure
        Bars are nine in ten; dashed the limits of single sessions, dotted those of the
        moving average; a line stands where the kiln changed.

    Examples
    --------
    >>> from datetime import date
    >>> from firelab.memory.kiln_watch import individuals_chart
    >>> from firelab.memory.kiln_offsets import SessionOffset
    >>> offsets = [1.0, -2.0, 0.5]
    >>> sessions = tuple(
    ...     SessionOffset(
    ...         day=date(2026, 1, day), series="jar", session=day, kiln="bench", n_tiles=2,
    ...         offset_degC=degC, sd_degC=2.0, lower_degC=degC - 3, upper_degC=degC + 3)
    ...     for day, degC in enumerate(offsets, start=1))
    >>> history = KilnHistory(
    ...     kiln="bench", reads="degF", sessions=sessions, average=None, change=None,
    ...     individuals=individuals_chart(offsets), left_out=())
    >>> draw_kiln_chart(history)
    <Figure size ... with 1 Axes>
    """
    scale = PER_DEGC[history.reads]
    table = history.table
    title = f"{history.kiln or 'kiln'} over time"
    with drawn_figure(_HEIGHT_IN, title, invented=history.invented) as figure:
        axes = figure.add_subplot()
        place = range(len(table))
        middle = scale * table["offset_degC"]
        ends = [middle - scale * table["lower_degC"], scale * table["upper_degC"] - middle]
        axes.errorbar(
            place, middle, yerr=ends, fmt="o", color=INK, capsize=3, label="session"
        )
        charts = (
            (history.individuals, INK, "--", "limits of a session"),
            (history.average, LOW_EDGE, ":", "limits of the average"),
        )
        for chart, colour, line, label in charts:
            if chart is None:
                continue
            for limit, named in ((chart.lower, label), (chart.upper, None)):
                axes.axhline(scale * limit, color=colour, ls=line, lw=1, label=named)
        if history.average is not None:
            points = scale * history.average.points
            axes.plot(place, points, color=LOW_EDGE, label="moving average")
        axes.axhline(0, color=QUIET, linewidth=1)
        if history.change is not None:
            at = history.change.place - 0.5
            axes.axvline(at, color=HIGH_EDGE, lw=1.5, label=f"{history.change.kind} since")
        axes.set_xticks(
            list(place), [str(day) for day in table["day"]], rotation=45, ha="right"
        )
        axes.set_ylabel(f"hotter than it read by, {SIGN[history.reads]}")
        other = axes.secondary_yaxis("right", functions=other_difference(history.reads))
        other.set_ylabel(SIGN[other_unit(history.reads)])
        figure.legend(loc="outside lower center", ncols=2)
    return figure
