"""Levels of a model's columns in the words of the bench, not in coded numbers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from firelab.craft.sieves import grain_um
from firelab.craft.units import format_duration, format_temperature
from firelab.fits.ordinal.separation import Parting, Separation
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import coding, split_term

_BASE = "base["


def level_words(series: FiringSeries, column: str, coded: float) -> str:
    """Return where on a factor a coded value stands.

    Parameters
    ----------
    series : FiringSeries
        Fixes the coding.
    column : str
        As `firelab.series.terms.term_columns` names it.
    coded : float
        From -1 to 1, or 0 and 1 for a base.

    Examples
    --------
    >>> from firelab.series.series_file import design_path
    >>> from firelab.series.series_file import read_series
    >>> series = read_series(design_path("opaque-window"))
    >>> level_words(series, "temperature", -1.0), level_words(series, "dwell", 1.0)
    ('704 degC (1300 degF)', '3 min 30 s')
    """
    if column.startswith(_BASE) and ":" not in column:
        name = column.removeprefix(_BASE).removesuffix("]")
        return f"over {name}" if coded > 0.5 else "over another base"
    if column not in ("temperature", "dwell", "mesh", "layers"):
        return f"{column} at {coded:g}"
    ((factor, _),) = split_term(column)
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


def parting_words(series: FiringSeries, parting: Parting, grades: Sequence[str]) -> str:
    """Say what a factor does to the grades, in natural units."""
    low = level_words(series, parting.column, parting.low)
    high = level_words(series, parting.column, parting.high)
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
    series: FiringSeries, separation: Separation, grades: Sequence[str]
) -> tuple[str, ...]:
    """Say what separates the grades, one sentence per column."""
    if not separation.partings:
        return separation.sentences(grades)
    return tuple(parting_words(series, one, grades) for one in separation.partings)
