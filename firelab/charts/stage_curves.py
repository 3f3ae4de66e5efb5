"""The chance of each grade against temperature, one panel per dwell."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from firelab.charts.axes import (
    add_other_axis,
    set_temperature_axis,
    spread_apart,
    write_dwell,
)
from firelab.charts.fired_tiles import (
    beyond_keys,
    grade_keys,
    tiles_at,
    within_dwells,
)
from firelab.charts.style import (
    INK,
    SMALL_PT,
    TEXT_PT,
    GradeMark,
    drawn_figure,
    grade_marks,
)
from firelab.craft.trade_words import setting_words
from firelab.craft.units import format_duration
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.records.records import Records
from firelab.series.terms import model_matrix
from firelab.windows.edges.fired_range import fired_dwells, fired_range

_LINES = ("-", "--", "-.", ":")
_POINTS = 61
_MOST_PANELS = 5
_MEAN_DRAWS = 500
"""Draws that a mean chance is drawn from: its Monte Carlo error is below the line's width
(at most 0.02 of a probability, by the normal approximation)."""


def draw_stage_curves(
    draws: StageDraws, terms: Sequence[str], records: Records, setting: Mapping[str, Any]
) -> Figure:
    """Draw the posterior mean chance of each grade, with the grades observed.

    Parameters
    ----------
    draws : StageDraws
    terms : sequence of str
        Terms of the fit that made the draws.
    records : Records
        Looks at this setting are set above the curves, at the panel of the
        nearest dwell.
    setting : mapping
        ``mesh``, ``layers``, ``base``.

    Returns
    -------
    Figure
        A future load, so the effect of the load is averaged over. One panel
        per dwell that was fired (at most five, spread apart), the longest at the
        top; temperature on the horizontal axis, within the fired range.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> fit = firelab.fit_stage(records)
    >>> setting = {"mesh": 80, "layers": 1, "base": "hard clear"}
    >>> firelab.charts.stages(fit.draws, fit.terms, records, setting)
    <Figure size ... with 3 Axes>
    """
    series = records.series
    grades = series.responses.stage.grades
    marks = grade_marks(grades, series.responses.stage.target)
    fired = fired_range(records.graded)
    every = tiles_at(records, setting)
    tiles = within_dwells(every, fired)
    dwells = _panel_dwells(fired_dwells(records.graded))
    panel_of = _nearest_dwell(tiles["dwell_s"].to_numpy(dtype=float), dwells)
    few = draws.thinned(_MEAN_DRAWS)
    title, height_in = setting_words(setting), 2.4 + 1.75 * len(dwells)
    with drawn_figure(height_in, title, invented=series.invented) as figure:
        panels = figure.subplots(len(dwells), 1, sharex=True, sharey=True, squeeze=False)
        for place, axes in enumerate(reversed(panels[:, 0])):
            table = grade_chances(few, terms, records, setting, dwells[place])
            _draw_curves(axes, table, marks)
            _draw_observed(axes, tiles[panel_of == place], marks)
            axes.set_title(f"dwell {write_dwell(dwells[place])} min:s", loc="left")
        low, high = fired.coolest_degC, fired.hottest_degC
        beyond = max(0.03 * (high - low), 2.0)
        reads = series.kiln.reads
        for axes in panels[:, 0]:
            set_temperature_axis(axes.xaxis, low - beyond, high + beyond, reads)
        for axes in panels[:-1, 0]:
            axes.set_xlabel("")
        add_other_axis(panels[0, 0], reads)
        figure.supylabel("probability of the grade", fontsize=TEXT_PT)
        keys = [*_keys(grades, marks, every), *beyond_keys(len(every) - len(tiles))]
        figure.legend(handles=keys, loc="outside lower center", ncols=2)
    return figure


def describe_stage_curves(records: Records, setting: Mapping[str, Any]) -> str:
    """Say in words what the curves show."""
    grades = ", ".join(records.series.responses.stage.grades)
    panels = _panel_dwells(fired_dwells(records.graded))
    dwells = [format_duration(dwell) for dwell in panels]
    return (
        f"Probability of each stage ({grades}) against temperature at "
        f"{setting_words(setting)}, one panel for each dwell: {', '.join(dwells)}."
    )


def _panel_dwells(fired_s: Iterable[float]) -> list[float]:
    """Return the dwells (s) that have a panel: at most five, the ends among them.

    Examples
    --------
    >>> _panel_dwells([210.0, 90.0, 91.0])
    [90.0, 210.0]
    """
    return spread_apart([float(one) for one in fired_s], largest=_MOST_PANELS)


def _nearest_dwell(fired_s: Any, dwells_s: Sequence[float]) -> Any:
    """Return the place of the panel nearest on the ln scale, shape (n,)."""
    distance = np.abs(np.log(np.asarray(fired_s)[:, None]) - np.log(np.asarray(dwells_s)))
    return distance.argmin(axis=1)


def grade_chances(
    draws: StageDraws,
    terms: Sequence[str],
    records: Records,
    setting: Mapping[str, Any],
    dwell_s: float,
) -> pd.DataFrame:
    """Return the posterior mean chance of each grade along temperature.

    Returns
    -------
    DataFrame
        Tidy: ``temperature_degC, stage, probability``.
    """
    series = records.series
    fired = fired_range(records.graded)
    degC = np.linspace(fired.coolest_degC, fired.hottest_degC, _POINTS)
    grid = pd.DataFrame({"temperature_degC": degC, "dwell_s": dwell_s}).assign(**setting)
    coded = model_matrix(series, grid, terms)
    grades = series.responses.stage.grades
    return pd.DataFrame(
        {
            "temperature_degC": np.tile(degC, len(grades)),
            "stage": np.repeat(grades, len(degC)),
            "probability": draws.grade_probabilities(coded).mean(axis=0).T.ravel(),
        }
    )


def _draw_curves(axes: Axes, table: pd.DataFrame, marks: Mapping[str, GradeMark]) -> None:
    for place, grade in enumerate(marks):
        curve = table[table["stage"] == grade]
        axes.plot(
            curve["temperature_degC"],
            curve["probability"],
            linestyle=_LINES[place % len(_LINES)],
            color=INK,
            linewidth=1.6,
        )
    axes.set_ylim(-0.03, 1.42)
    axes.set_yticks([0.0, 0.5, 1.0])
    axes.axhline(1.0, color="#b0b0b0", linewidth=0.8, zorder=0)
    axes.text(
        0.995, 0.985, "observed", transform=axes.transAxes, ha="right", va="top",
        fontsize=SMALL_PT,
    )  # fmt: skip


def _draw_observed(axes: Axes, tiles: pd.DataFrame, marks: Mapping[str, GradeMark]) -> None:
    places: dict[str, list[tuple[float, float]]] = {}
    ordered = tiles.sort_values("stage", kind="stable")
    for _, group in ordered.groupby(ordered["temperature_degC"].round(0)):
        centre = float(group["temperature_degC"].mean())
        for above, grade in enumerate(group["stage"].astype(str)):
            places.setdefault(grade, []).append((centre, 1.08 + 0.11 * above))
    for grade, at in places.items():
        axes.plot(
            *zip(*at, strict=True),
            linestyle="none",
            marker=marks[grade].marker,
            markersize=6.5,
            markerfacecolor=marks[grade].fill,
            markeredgecolor=INK,
            clip_on=False,
        )


def _keys(
    grades: Sequence[str], marks: Mapping[str, GradeMark], tiles: pd.DataFrame
) -> list[Line2D]:
    counts = {grade: int((tiles["stage"] == grade).sum()) for grade in grades}
    keys = grade_keys(grades, marks, counts)
    for place, key in enumerate(keys):
        key.set(linestyle=_LINES[place % len(_LINES)], color=INK)
    return keys
