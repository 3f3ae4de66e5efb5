"""What a fit is given, verified: shapes, values, terms that cannot be told apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.arrays import FloatArray, IntArray
from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.looks import GradedLooks, add_up_cells

_TOLERANCE, _PART = 1e-9, 1e-6
"""Share of a column's variance below which the others make it up, and least share of one
of them that is named: between the rounding of a coded column and any real difference
(chosen here, no source)."""


def has_groups(group: NDArray[Any]) -> bool:
    """Tell whether groups can have an effect: several of them, one with several looks."""
    return 1 < len(np.unique(group)) < len(group)


class NotEstimable(RecordsInsufficient):
    """The looks cannot separate the terms asked for.

    Parameters
    ----------
    aliased : iterable of str
        Terms that are a combination of the others, or never vary.
    where : str, default ''
        The part of the series.

    Attributes
    ----------
    aliased : tuple of str
    """

    def __init__(self, aliased: Iterable[str], where: str = "") -> None:
        self.aliased = tuple(aliased)
        super().__init__(
            f"these looks cannot tell {' or '.join(self.aliased)} from the other terms",
            where,
            "leave it out, or fire tiles in which it changes while the others stay",
        )


def find_aliases(columns: FloatArray, names: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Return each aliased column with the earlier columns that make it up.

    The intercept makes up a column that never varies.

    Parameters
    ----------
    columns : ndarray, shape (n, p)
    names : sequence of str
        One per column.

    Returns
    -------
    dict
        Empty where all columns can be told apart; without partners for a column
        that never varies.

    Examples
    --------
    >>> find_aliases(np.array([[1.0, 2.0, 5], [2, 4, 5], [4, 8, 5]]), ["a", "b", "c"])
    {'b': ('a',), 'c': ()}
    """
    if not columns.shape[1]:
        return {}
    centre = columns.mean(axis=0)
    spread = columns.std(axis=0)
    size = np.maximum(np.abs(columns).max(axis=0), 1e-300)
    flat = spread <= _TOLERANCE * size
    gram = _correlation(columns, centre, np.where(flat, 1.0, spread))
    kept: list[int] = []
    aliased: dict[str, tuple[str, ...]] = {}
    for place, name in enumerate(names):
        weights = np.linalg.solve(gram[np.ix_(kept, kept)], gram[kept, place])
        left = gram[place, place] - gram[kept, place] @ weights
        if flat[place]:
            aliased[name] = ()
        elif left <= _TOLERANCE:
            partners = zip(kept, weights, strict=True)
            aliased[name] = tuple(names[k] for k, w in partners if abs(w) > _PART)
        else:
            kept.append(place)
    return aliased


def estimable_places(columns: FloatArray) -> list[int]:
    """Return the places of the columns that are no combination of earlier ones.

    Nor of an intercept; of no rows, none is estimable.

    Parameters
    ----------
    columns : ndarray, shape (n, p)

    Examples
    --------
    >>> estimable_places(np.array([[1.0, 2.0, 5], [2, 4, 5], [4, 8, 5]]))
    [0]
    """
    names = [str(place) for place in range(columns.shape[1])]
    aliased = find_aliases(columns, names) if len(columns) else names
    return [int(name) for name in names if name not in aliased]


def _correlation(columns: FloatArray, centre: FloatArray, spread: FloatArray) -> FloatArray:
    gram = np.zeros((columns.shape[1], columns.shape[1]))
    for start in range(0, len(columns), 1 << 15):
        part = (columns[start : start + (1 << 15)] - centre) / spread
        gram += part.T @ part
    return np.asarray(gram / len(columns))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookTable:
    """Verified looks on the whole scale, before unseen grades are left out.

    Attributes
    ----------
    looks : GradedLooks
    grades : tuple of str
        Names of the J grades.
    columns, nominal : tuple of str
        Names of the columns of ``X`` and of ``nominal``.
    """

    looks: GradedLooks
    grades: tuple[str, ...]
    columns: tuple[str, ...]
    nominal: tuple[str, ...]

    @property
    def n_looks(self) -> float:
        """Sum of the weights."""
        return float(np.sum(self.looks.weights))

    def on_seen_grades(self) -> tuple[GradedLooks, tuple[str, ...], tuple[str, ...]]:
        """Return the cells on the scale of the grades that were seen.

        An unseen grade has no width that a likelihood could tell.

        Returns
        -------
        tuple of (GradedLooks, tuple of str, tuple of str)
            Cells sorted by group, the grades seen, and those not.
        """
        seen = np.unique(self.looks.y)
        on_seen = replace(
            self.looks,
            y=np.searchsorted(seen, self.looks.y).astype(np.int64),
            n_grades=len(seen),
        )
        cells = add_up_cells(on_seen)
        if cells.group is not None:
            cells = cells.take(np.argsort(cells.group, kind="stable"))
        kept = set(seen.tolist())
        return (
            cells,
            tuple(self.grades[grade] for grade in seen),
            tuple(name for grade, name in enumerate(self.grades) if grade not in kept),
        )


def arrange_looks(
    y: ArrayLike,
    X: ArrayLike | None,
    *,
    n_grades: int | None = None,
    offset: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    nominal: ArrayLike | None = None,
    groups: ArrayLike | None = None,
    grades: Sequence[str] | None = None,
    names: Sequence[str] | None = None,
) -> LookTable:
    """Verify what a fit was given and return it as looks.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p), optional
    n_grades : int, optional
        J; the highest grade seen by default.
    offset, weights : array_like, shape (n,), optional
        Rows of weight 0 are left out.
    nominal : array_like, shape (n, w), optional
    groups : array_like, shape (n,), optional
        Labels of any dtype that sorts.
    grades, names : sequence of str, optional
        Names of the J grades and of the columns of ``X``.

    Raises
    ------
    UsageError
        If shapes or values cannot be.
    RecordsInsufficient
        If fewer than two grades were seen.
    NotEstimable
        If columns are combinations of others.
    """
    grade, count = _grades_of(y, n_grades)
    n = len(grade)
    plain, by_cut = _columns(X, n, "X"), _columns(nominal, n, "nominal")
    weight = _along(weights, n, "weights", 1.0)
    if np.any(weight < 0.0):
        raise UsageError("a weight is below 0", hint="weights count looks")
    looks = GradedLooks(
        y=grade,
        X=plain,
        nominal=by_cut,
        offset=_along(offset, n, "offset", 0.0),
        weights=weight,
        group=None if groups is None else _number_groups(groups, n),
        n_grades=count,
    )
    table = LookTable(
        looks=looks if np.all(weight > 0.0) else looks.take(np.flatnonzero(weight > 0.0)),
        grades=_names(grades, count, "grade "),
        columns=_names(names, plain.shape[1], "x"),
        nominal=_names(None, by_cut.shape[1], "w"),
    )
    _refuse_poor(table)
    return table


def _columns(given: ArrayLike | None, n: int, what: str) -> FloatArray:
    if given is None:
        return np.empty((n, 0))
    columns = np.asarray(given, dtype=float)
    columns = columns[:, None] if columns.ndim == 1 else columns
    if columns.ndim != 2 or len(columns) != n:
        raise UsageError(
            f"{what} has shape {columns.shape}, but there are {n} grades",
            hint="give one row per look",
        )
    return _finite(columns, what)


def _finite(values: FloatArray, what: str) -> FloatArray:
    if not np.all(np.isfinite(values)):
        row = int(np.flatnonzero(~np.isfinite(values).reshape(len(values), -1).all(1))[0])
        raise UsageError(
            f"{what} is not a number in row {row}", hint="leave out looks with gaps"
        )
    return values


def _along(given: ArrayLike | None, n: int, what: str, default: float) -> FloatArray:
    if given is None:
        return np.full(n, default)
    values = np.asarray(given, dtype=float)
    if values.shape != (n,):
        raise UsageError(
            f"{what} has shape {values.shape}, but there are {n} grades",
            hint="give one number per look",
        )
    return _finite(values, what)


def _grades_of(y: ArrayLike, n_grades: int | None) -> tuple[IntArray, int]:
    values = np.asarray(y)
    if values.ndim != 1 or not len(values):
        raise RecordsInsufficient("there are no grades to fit", hint="grade some tiles")
    if values.dtype.kind not in "iub" and not np.all(values == np.round(values)):
        raise UsageError("grades are not whole numbers", hint="number them from 0")
    grade = values.astype(np.int64)
    count = int(grade.max()) + 1 if n_grades is None else n_grades
    if grade.min() < 0 or grade.max() >= count:
        wrong = int(grade.min()) if grade.min() < 0 else int(grade.max())
        raise UsageError(
            f"grade {wrong} is outside 0 to {count - 1}", hint="number grades from 0"
        )
    return grade, count


def _names(given: Sequence[str] | None, count: int, letter: str) -> tuple[str, ...]:
    if given is None:
        return tuple(f"{letter}{i + 1}" for i in range(count))
    if len(given) != count:
        raise UsageError(f"{len(given)} names for {count} columns", hint="name each once")
    return tuple(given)


def _number_groups(groups: ArrayLike, n: int) -> IntArray:
    values = np.asarray(groups)
    if values.shape != (n,):
        raise UsageError(
            f"groups have shape {values.shape}, but there are {n} grades",
            hint="give one label per look",
        )
    return np.unique(values, return_inverse=True)[1].astype(np.int64)


def _refuse_poor(table: LookTable) -> None:
    seen = np.unique(table.looks.y)
    if len(seen) < 2:
        only = table.grades[int(seen[0])] if len(seen) else "nothing"
        raise RecordsInsufficient(
            f"every look is graded {only}: nothing to fit",
            hint="fire some tiles cooler or shorter, and some hotter or longer",
        )
    X, nominal = table.looks.X, table.looks.nominal
    columns = np.hstack([X, nominal]) if nominal.shape[1] else X
    aliased = find_aliases(columns, (*table.columns, *table.nominal))
    if aliased:
        raise NotEstimable(aliased)
