"""Levels of a model's columns in the words of the bench, not in coded numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from firelab.craft.sieves import grain_um
from firelab.craft.units import format_duration, format_temperature
from firelab.fits.ordinal.separation import Parting, Separation
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import ModelColumn, coding


def level_words(series: FiringSeries, column: ModelColumn, coded: float) -> str:
    """Return where on a factor a coded value stands.

    Parameters
    ----------
    series : FiringSeries
        Fixes the coding.
    column : ModelColumn
    coded : float
        From -1 to 1, or 0 and 1 for a base.

    Examples
    --------
    >>> from firelab.series.series_file import design_path
    >>> from firelab.series.series_file import read_series
    >>> from firelab.series.terms import DWELL, TEMPERATURE
    >>> series = read_series(design_path("opaque-window"))
    >>> level_words(series, TEMPERATURE, -1.0), level_words(series, DWELL, 1.0)
    ('1300 °F (704 °C)', '3 min 30 s')
    """
    factor = column.factor
    if factor == "base":
        return f"over {column.base}" if coded > 0.5 else "over another base"
    if factor is None:
        return f"{column} at {coded:g}"
    scale = coding(series, factor)
    natural = scale.centre + coded * scale.half_width
    if factor == "temperature":
        return format_temperature(natural)
    if factor == "dwell":
        return format_duration(float(np.exp(natural)))
    if factor == "layers":
        return f"{natural:g} coat{'s' if natural != 1 else ''}"
    nearest = min(
        (int(level) for level in series.factors.levels("mesh")),
        key=lambda mesh: abs(np.log2(grain_um(mesh)) - natural),
    )
    return f"{nearest} mesh"


def _parting_words(
    series: FiringSeries, column: ModelColumn, parting: Parting, grades: Sequence[str]
) -> str:
    """Say what a factor does to the grades, in natural units."""
    low = level_words(series, column, parting.low)
    high = level_words(series, column, parting.high)
    lowest, highest = parting.low_grades, parting.high_grades
    if parting.upwards:
        seen = (
            f"no look above {grades[lowest[1]]} at {low}, "
            f"none below {grades[highest[0]]} at {high}"
        )
    else:
        seen = (
            f"no look below {grades[lowest[0]]} at {low}, "
            f"none above {grades[highest[1]]} at {high}"
        )
    alone = "separates the grades" if parting.alone else "separates with other terms"
    return f"{parting.column} {alone}: {seen.replace('at over', 'over')}"


def separation_words(
    series: FiringSeries,
    columns: Sequence[ModelColumn],
    separation: Separation,
    grades: Sequence[str],
) -> tuple[str, ...]:
    """Say what separates the grades, one sentence per column."""
    if not separation.partings:
        return separation.sentences(grades)
    by_label = {str(column): column for column in columns}
    return tuple(
        _parting_words(series, by_label[one.column], one, grades)
        for one in separation.partings
    )
