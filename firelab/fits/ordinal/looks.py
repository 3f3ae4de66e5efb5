"""Graded looks as a fit takes them: verified, added up to cells, sorted by group.

The latent ends of a look's grade are linear in the parameters: thresholds,
effects that differ from threshold to threshold, coefficients.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.estimable import NotEstimable, find_aliases

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BLOCK_ROWS = 1 << 13
"""Cells worked at a time: their columns stay in a processor's cache (chosen here by
timing a million looks; twice as many or half as many cost a tenth more)."""
_SAMPLE_ROWS = 2000
_WORTH_ADDING_UP = 0.7
"""Share of distinct rows in a sample above which adding up saves nothing (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradedLooks:
    """Looks, or cells of looks that agree in everything, sorted by group.

    Attributes
    ----------
    y : ndarray of int, shape (n,)
        Grade from 0.
    X : ndarray, shape (n, p)
    nominal : ndarray, shape (n, w)
        Columns whose effect differs from threshold to threshold.
    offset, weights : ndarray, shape (n,)
        What is added to the latent grade; how many looks a row stands for.
    group : ndarray of int, shape (n,), or None
        What shares a random effect, numbered from 0.
    n_grades : int
        J.
    """

    y: IntArray
    X: FloatArray
    nominal: FloatArray
    offset: FloatArray
    weights: FloatArray
    group: IntArray | None
    n_grades: int

    @property
    def n_thresholds(self) -> int:
        """Number of thresholds, J - 1."""
        return self.n_grades - 1

    @property
    def n_nominal(self) -> int:
        """Number of nominal effects: columns times thresholds."""
        return int(self.nominal.shape[1]) * self.n_thresholds

    @property
    def n_linear(self) -> int:
        """Number of parameters that move an end."""
        return self.n_thresholds + self.n_nominal + int(self.X.shape[1])

    def take(self, rows: NDArray[np.intp] | slice) -> GradedLooks:
        """Return some of the rows, in that order."""
        return replace(
            self,
            y=self.y[rows],
            X=self.X[rows],
            nominal=self.nominal[rows],
            offset=self.offset[rows],
            weights=self.weights[rows],
            group=None if self.group is None else self.group[rows],
        )

    def blocks(self) -> Iterator[Block]:
        """Yield blocks of at most `BLOCK_ROWS` cells, groups whole.

        Only a single group that is larger than that exceeds it.
        """
        n = len(self.y)
        if self.group is None:
            starts = np.arange(0, n, BLOCK_ROWS)
            bounds = np.r_[starts, n]
        else:
            bounds = np.r_[np.flatnonzero(np.diff(self.group, prepend=-1)), n]
        first = 0
        while first < len(bounds) - 1:
            last = int(np.searchsorted(bounds, bounds[first] + BLOCK_ROWS, "right")) - 1
            last = max(last, first + 1)
            yield self.block(slice(int(bounds[first]), int(bounds[last])))
            first = last

    def block(self, rows: slice, *, grade: int | None = None) -> Block:
        """Return some of the rows as a block, as if all had one grade if asked."""
        y = self.y[rows] if grade is None else np.full(len(self.y[rows]), grade)
        upper, upper_offset = self._end(rows, y, np.inf)
        lower, lower_offset = self._end(rows, y - 1, -np.inf)
        group = None if self.group is None else self.group[rows]
        return Block(
            upper=upper,
            lower=lower,
            upper_offset=upper_offset,
            lower_offset=lower_offset,
            weights=self.weights[rows],
            groups=None if group is None else Groups.of(group),
        )

    def _end(
        self, rows: slice, cut: IntArray, infinite: float
    ) -> tuple[FloatArray, FloatArray]:
        last = self.n_thresholds
        outside = (cut < 0) | (cut >= last)
        onto = np.vstack([np.eye(last), np.zeros((1, last))])[np.where(outside, last, cut)]
        columns = np.empty((len(cut), self.n_linear))
        columns[:, :last] = onto
        columns[:, last + self.n_nominal :] = -self.X[rows]
        if self.n_nominal:
            moved = -onto[:, :, None] * self.nominal[rows][:, None, :]
            columns[:, last : last + self.n_nominal] = moved.reshape(len(cut), -1)
        columns[outside, last + self.n_nominal :] = 0.0
        return columns, np.where(outside, infinite, -self.offset[rows])


class Groups(NamedTuple):
    """Which rows share a random effect; rows of a group stand together.

    Attributes
    ----------
    of_row : ndarray of int, shape (n,)
        Running number from 0 within these rows.
    starts : ndarray of int, shape (G,)
        First row of each group.
    first : int
        What the first group is numbered in the whole.
    """

    of_row: IntArray
    starts: IntArray
    first: int

    @classmethod
    def of(cls, group: IntArray) -> Groups:
        """Return the groups of rows sorted by group."""
        new = np.diff(group, prepend=-1) != 0
        return cls(
            (np.cumsum(new) - 1).astype(np.int64),
            np.flatnonzero(new).astype(np.int64),
            int(group[0]) if group.size else 0,
        )

    def add_up(self, by_row: FloatArray, axis: int = 0) -> FloatArray:
        """Sum over the rows of each group."""
        return np.asarray(np.add.reduceat(by_row, self.starts, axis=axis))


class Block(NamedTuple):
    """Some cells, with the derivatives of their ends by the linear parameters.

    Attributes
    ----------
    upper, lower : ndarray, shape (m, q)
        Zero rows where an end is infinite.
    upper_offset, lower_offset : ndarray, shape (m,)
        What is added to the end; infinite at the ends of the scale.
    weights : ndarray, shape (m,)
    groups : Groups or None
    """

    upper: FloatArray
    lower: FloatArray
    upper_offset: FloatArray
    lower_offset: FloatArray
    weights: FloatArray
    groups: Groups | None

    def ends(self, linear: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return lower and upper end of each cell's grade, without random effects."""
        return (
            self.lower @ linear + self.lower_offset,
            self.upper @ linear + self.upper_offset,
        )


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
    columns = np.hstack([table.looks.X, table.looks.nominal])
    aliased = find_aliases(columns, (*table.columns, *table.nominal))
    if aliased:
        raise NotEstimable(aliased)


def add_up_cells(looks: GradedLooks) -> GradedLooks:
    """Add up looks that agree in grade, columns, offset and group.

    Returns
    -------
    GradedLooks
        Unchanged where a sample shows that hardly any looks agree.
    """
    parts: list[NDArray[Any]] = [looks.y[:, None], looks.X, looks.nominal]
    parts += [looks.offset[:, None]]
    parts += [] if looks.group is None else [looks.group[:, None]]
    n = len(looks.y)
    if n > 2 * _SAMPLE_ROWS:
        sample = _keys([part[:: n // _SAMPLE_ROWS] for part in parts])
        if len(np.unique(sample)) > _WORTH_ADDING_UP * len(sample):
            return looks
    _, first, cell = np.unique(_keys(parts), return_index=True, return_inverse=True)
    agree = all(np.array_equal(part, part[first[cell]]) for part in parts)
    if len(first) == n or not agree:
        return looks
    weights = np.bincount(cell, weights=looks.weights, minlength=len(first))
    return replace(looks.take(first), weights=weights.astype(np.float64))


def _keys(parts: list[NDArray[Any]]) -> FloatArray:
    """One number per row that differs, almost surely, where any entry differs."""
    key = np.zeros(len(parts[0]))
    place = 2
    for part in parts:
        for column in part.T:
            key += column * np.sqrt(place + 0.6180339887)
            place += 1
    return key
