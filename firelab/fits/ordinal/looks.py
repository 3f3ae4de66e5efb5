"""Graded looks as a likelihood takes them: added up to cells, sorted by group.

The latent ends of a look's grade are linear in the parameters: thresholds,
effects that differ from threshold to threshold, coefficients.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from firelab.arrays import FloatArray, IntArray

BLOCK_ROWS = 1 << 13
"""Cells worked at a time, so that their columns stay in a processor's cache (chosen here;
analyses/benchmarks fits a million looks with it)."""
_SAMPLE_ROWS, _WORTH_ADDING_UP = 2000, 0.7
"""Rows of a sample, and the share of distinct ones in it above which adding up saves
nothing (chosen here; neither changes a result)."""


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
