"""Grades and columns, verified, added up to cells and sorted by load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.grade_design import GradeDesign, add_up_cells, threshold_spacing
from firelab.fits.ordinal.not_estimable import NotEstimable, find_aliases

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
STRUCTURES = ("flexible", "equidistant", "symmetric")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookArrays:
    """Looks as a fit takes them.

    Attributes
    ----------
    y : ndarray of int, shape (n,)
        Grade from 0 to `n_grades` - 1.
    X, nominal, scale : ndarray, shape (n, ·)
    offset, weights : ndarray, shape (n,)
    labels : ndarray of int, shape (n, c)
        Groups of each look, from 0; no columns where there are none.
    grades : tuple of str
        Names of the grades of the scale.
    names : tuple of three tuples of str
        Names of the columns of ``X``, ``nominal`` and ``scale``.
    """

    y: IntArray
    X: FloatArray
    nominal: FloatArray
    scale: FloatArray
    offset: FloatArray
    weights: FloatArray
    labels: IntArray
    grades: tuple[str, ...]
    names: tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedScale:
    """The grades that a fit can place, and the cells on that scale.

    Attributes
    ----------
    design : GradeDesign
    labels : ndarray of int, shape (n, c)
    grades, unseen : tuple of str
        What is fitted, and what no look received.
    open_end : bool
        Whether an unseen grade at an end of the scale was kept.
    """

    design: GradeDesign
    labels: IntArray
    grades: tuple[str, ...]
    unseen: tuple[str, ...]
    open_end: bool


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


def arrange_looks(
    y: ArrayLike,
    X: ArrayLike | None,
    *,
    n_grades: int | None = None,
    offset: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    nominal: ArrayLike | None = None,
    scale: ArrayLike | None = None,
    labels: Sequence[ArrayLike] = (),
    grades: Sequence[str] | None = None,
    names: Sequence[Sequence[str] | None] = (None, None, None),
) -> LookArrays:
    """Verify what a fit was given and return it as arrays.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p), optional
    n_grades : int, optional
        J; the highest grade seen by default.
    offset, weights : array_like, shape (n,), optional
    nominal, scale : array_like, shape (n, ·), optional
    labels : sequence of array_like, shape (n,)
        Groups, of any dtype that sorts.
    grades : sequence of str, optional
        Names of the J grades.
    names : three sequences of str or None
        Names of the columns of ``X``, ``nominal`` and ``scale``.

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
    spread, weight = _columns(scale, n, "scale"), _along(weights, n, "weights", 1.0)
    if np.any(weight < 0.0):
        raise UsageError("a weight is below 0", hint="weights count looks")
    looks = LookArrays(
        y=grade,
        X=plain,
        nominal=by_cut,
        scale=spread,
        offset=_along(offset, n, "offset", 0.0),
        weights=weight,
        labels=_number_labels(labels, n),
        grades=_names(grades, count, "grade "),
        names=(
            _names(names[0], plain.shape[1], "x"),
            _names(names[1], by_cut.shape[1], "w"),
            _names(names[2], spread.shape[1], "s"),
        ),
    )
    looks = looks if np.all(weight > 0.0) else _take(looks, np.flatnonzero(weight > 0.0))
    _refuse_poor(looks)
    return looks


def _number_labels(labels: Sequence[ArrayLike], n: int) -> IntArray:
    numbered = np.empty((n, len(labels)), dtype=np.int64)
    for place, given in enumerate(labels):
        values = np.asarray(given)
        if values.shape != (n,):
            raise UsageError(
                f"groups have shape {values.shape}, but there are {n} grades",
                hint="give one label per look",
            )
        numbered[:, place] = np.unique(values, return_inverse=True)[1]
    return numbered


def _take(looks: LookArrays, rows: NDArray[np.intp]) -> LookArrays:
    return LookArrays(
        y=looks.y[rows],
        X=looks.X[rows],
        nominal=looks.nominal[rows],
        scale=looks.scale[rows],
        offset=looks.offset[rows],
        weights=looks.weights[rows],
        labels=looks.labels[rows],
        grades=looks.grades,
        names=looks.names,
    )


def _refuse_poor(looks: LookArrays) -> None:
    seen = np.unique(looks.y)
    if len(seen) < 2:
        only = looks.grades[int(seen[0])] if len(seen) else "nothing"
        raise RecordsInsufficient(
            f"every look is graded {only}: nothing to fit",
            hint="fire some tiles cooler or shorter, and some hotter or longer",
        )
    by_cut = (*looks.names[0], *looks.names[1])
    both = np.hstack([looks.X, looks.nominal]) if looks.nominal.shape[1] else looks.X
    aliased = [*find_aliases(both, by_cut), *find_aliases(looks.scale, looks.names[2])]
    if aliased:
        raise NotEstimable(aliased)


def place_on_scale(
    looks: LookArrays, *, structure: str, keep_open_end: bool
) -> FittedScale:
    """Return the cells on the scale of the grades that can be placed.

    An unseen grade between seen ones has no width: its two thresholds are one,
    and it is left out. Unseen grades beyond the last seen one are put together
    and kept if asked, which only a bias-reduced fit can use.

    Parameters
    ----------
    looks : LookArrays
    structure : {'flexible', 'equidistant', 'symmetric'}
    keep_open_end : bool
    """
    seen = np.unique(looks.y)
    count = len(looks.grades)
    kept = [int(grade) for grade in seen]
    labels = [looks.grades[grade] for grade in kept]
    low, high = kept[0] > 0, kept[-1] < count - 1
    if keep_open_end:
        labels = [_run(looks.grades[: kept[0]])] * low + labels
        labels += [_run(looks.grades[kept[-1] + 1 :])] * high
    shift = int(low and keep_open_end)
    y = np.searchsorted(seen, looks.y) + shift
    design = GradeDesign(
        y=y.astype(np.int64),
        X=looks.X,
        nominal=looks.nominal,
        scale=looks.scale,
        offset=looks.offset,
        weights=looks.weights,
        n_grades=len(labels),
        spacing=threshold_spacing(len(labels), structure),
    )
    cells, groups = add_up_cells(design, looks.labels)
    if groups.shape[1]:
        order = np.lexsort(groups.T[::-1])
        cells, groups = cells.take(order), groups[order]
    return FittedScale(
        design=cells,
        labels=groups,
        grades=tuple(labels),
        unseen=tuple(g for i, g in enumerate(looks.grades) if i not in kept),
        open_end=keep_open_end and (low or high),
    )


def _run(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}" if names else ""
