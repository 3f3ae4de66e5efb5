r"""Separation: where the likelihood rises for ever, and which factor does it.

The log-likelihood is concave, so it has no maximum exactly when some direction
:math:`d` moves no look's cuts towards each other and some look's apart: a
linear programme (Albert and Anderson 1984; Konis 2007). A factor that alone
gives such a direction separates the grades by itself; it is named with the levels
that were fired, in the words of the bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.arrays import BoolArray, FloatArray
from firelab.craft.materials import grain_um
from firelab.craft.units import format_duration, format_temperature
from firelab.errors import RecordsInsufficient
from firelab.fits.ordinal.looks import GradedLooks
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import ModelColumn, coding

_MEANINGFUL = 1e-6
"""Gain of the linear programme, and part of a direction, that are more than its solver's
tolerance of 1e-7."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parting:
    """What one column does to the grades.

    Attributes
    ----------
    column : str
        Name of the column.
    low, high : float
        Its lowest and highest value.
    low_grades, high_grades : tuple of int
        Lowest and highest grade, from 0, seen at each of the two.
    alone : bool
        Whether it separates the grades by itself, or only with the others.
    upwards : bool
        Whether its coefficient runs to plus infinity.
    """

    column: str
    low: float
    high: float
    low_grades: tuple[int, int]
    high_grades: tuple[int, int]
    alone: bool
    upwards: bool

    def sentence(
        self, grades: Sequence[str], low: str | None = None, high: str | None = None
    ) -> str:
        """Say it in words.

        Parameters
        ----------
        grades : sequence of str
            Names of the grades.
        low, high : str, optional
            The column's lowest and highest value in words; by default as coded.

        Examples
        --------
        >>> parting = Parting(column="base[clear]", low=0.0, high=1.0,
        ...     low_grades=(0, 1), high_grades=(1, 2), alone=True, upwards=True)
        >>> parting.sentence(["sugar", "orange peel", "full"])
        'base[clear] separates the grades: no look above orange peel at 0, none below
        orange peel at 1'
        """
        ends = (low or f"{self.low:g}", high or f"{self.high:g}")
        seen = []
        for end, (least, most), cooler in zip(
            ends,
            (self.low_grades, self.high_grades),
            (self.upwards, not self.upwards),
            strict=True,
        ):
            grade, side = (most, "above") if cooler else (least, "below")
            # That nothing is above the last grade, or below the first, says nothing.
            if grade == (len(grades) - 1 if cooler else 0):
                seen.append(f"any grade at {end}")
            else:
                no = "none" if seen and not seen[0].startswith("any") else "no look"
                seen.append(f"{no} {side} {grades[grade]} at {end}")
        alone = "separates the grades" if self.alone else "separates with other terms"
        return f"{self.column} {alone}: {', '.join(seen)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """Why a maximum-likelihood fit has no finite answer.

    Attributes
    ----------
    partings : tuple of Parting
        The columns whose coefficients run to infinity; empty where only the
        thresholds do.
    """

    partings: tuple[Parting, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the columns whose coefficients run to infinity."""
        return tuple(parting.column for parting in self.partings)

    def sentences(self, grades: Sequence[str]) -> tuple[str, ...]:
        """Say it in words, one sentence per column."""
        if not self.partings:
            return ("the thresholds alone run to infinity: too few grades were seen",)
        return tuple(parting.sentence(grades) for parting in self.partings)


class Separated(RecordsInsufficient):
    """Maximum likelihood was insisted on where it has no finite answer.

    Parameters
    ----------
    why : sequence of str
        In words, one sentence per cause.
    separation : Separation or None
        None where it is not a column that separates the grades.
    grades : sequence of str
        That were seen, in order.
    """

    def __init__(
        self, why: Sequence[str], separation: Separation | None, grades: Sequence[str]
    ) -> None:
        self.separation = separation
        self.grades = tuple(grades)
        super().__init__(
            "; ".join(why),
            hint="take the posterior, which needs no finite maximum, or fire tiles between",
        )


def find_separation(design: GradedLooks, names: Sequence[str]) -> Separation | None:
    """Return what separates the grades, or None where nothing does.

    Parameters
    ----------
    design : GradedLooks
        Every grade of its scale must be seen.
    names : sequence of str
        Names of the columns of ``X``, then of ``nominal``.

    References
    ----------
    .. [1] Albert, A., & Anderson, J. A. (1984). On the existence of maximum
       likelihood estimates in logistic regression models. *Biometrika*, 71, 1-10.
    .. [2] Konis, K. (2007). *Linear programming algorithms for detecting separated
       data in binary logistic regression models*. DPhil thesis, Oxford.
    """
    constraints = _constraints(design)
    direction = _recession(constraints, np.ones(constraints.shape[1], dtype=bool))
    if direction is None:
        return None
    alone = {
        place: found
        for place in range(len(names))
        if (found := _recession(constraints, _only(design, place))) is not None
    }
    together = {
        place: direction
        for place in range(len(names))
        if np.any(np.abs(direction[_own(design, place)]) > _MEANINGFUL)
    }
    chosen = alone or together
    return Separation(
        partings=tuple(
            _part(design, place, names[place], found, alone=bool(alone))
            for place, found in chosen.items()
        )
    )


def _constraints(design: GradedLooks) -> FloatArray:
    """Rows that a recession direction must not make negative, shape (c, q)."""
    block = design.block(slice(None))
    rows = np.vstack([block.upper, -block.lower])
    rows = rows[np.any(rows != 0.0, axis=1)]
    return np.unique(rows / np.max(np.abs(rows), axis=1, keepdims=True), axis=0)


def _recession(constraints: FloatArray, free: BoolArray) -> FloatArray | None:
    from scipy.optimize import linprog

    rows = constraints[:, free]
    size = np.maximum(np.max(np.abs(rows), axis=0), 1e-300)
    found = linprog(
        -np.sum(rows / size, axis=0),
        A_ub=-rows / size,
        b_ub=np.zeros(len(rows)),
        bounds=(-1.0, 1.0),
        method="highs",
    )
    if found.x is None or -found.fun <= _MEANINGFUL:
        return None
    direction = np.zeros(len(free))
    direction[free] = found.x
    return direction


def _own(design: GradedLooks, place: int) -> NDArray[np.intp]:
    """Places of a named column's parameters."""
    p = design.X.shape[1]
    if place < p:
        return np.array([design.n_thresholds + design.n_nominal + place])
    cuts = np.arange(design.n_grades - 1)
    return np.asarray(design.n_thresholds + cuts * design.nominal.shape[1] + (place - p))


def _only(design: GradedLooks, place: int) -> BoolArray:
    free = np.zeros(design.n_linear, dtype=bool)
    free[: design.n_thresholds] = True
    free[_own(design, place)] = True
    return free


def _part(
    design: GradedLooks, place: int, name: str, direction: FloatArray, *, alone: bool
) -> Parting:
    p = design.X.shape[1]
    column = design.X[:, place] if place < p else design.nominal[:, place - p]
    low, high = float(np.min(column)), float(np.max(column))
    at_low, at_high = design.y[column == low], design.y[column == high]
    moves = direction[_own(design, place)]
    return Parting(
        column=name,
        low=low,
        high=high,
        low_grades=(int(at_low.min()), int(at_low.max())),
        high_grades=(int(at_high.min()), int(at_high.max())),
        alone=alone,
        upwards=bool(moves[np.argmax(np.abs(moves))] > 0.0),
    )


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
        one.sentence(
            grades,
            level_words(series, by_label[one.column], one.low),
            level_words(series, by_label[one.column], one.high),
        ).replace("at over", "over")
        for one in separation.partings
    )
