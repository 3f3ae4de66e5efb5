r"""One grouping of tiles, or one nested in another, and its covariance.

With outer groups :math:`g` and inner groups :math:`j` nested in them, the
covariance relative to the residual variance is
:math:`V = I + \theta_1 Z_1 Z_1^\top + \theta_2 Z_2 Z_2^\top`. Its inverse and
determinant have closed forms, so every product below costs as much as reading
the rows once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray, IntArray
from firelab.errors import FirelabError, RecordsInsufficient


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NestedGroups:
    """Which group each of n rows belongs to, outermost first.

    Attributes
    ----------
    outer, inner : ndarray of int, shape (n,)
        Group numbers from 0. With one grouping, each row is its own inner
        group and the second ratio is 0.
    parent : ndarray of int, shape (number of inner groups,)
        Outer group of each inner one.
    n_components : {1, 2}
        Number of variance ratios.
    """

    outer: IntArray
    inner: IntArray
    parent: IntArray
    n_components: int

    def sums(self, rows: FloatArray, component: int) -> FloatArray:
        """Return the sums over each group of a component (0 outer, 1 inner)."""
        index = (self.outer, self.inner)[component]
        return _sums_by(index, rows)

    def sizes(self, component: int) -> FloatArray:
        """Return the number of rows in each group of a component."""
        return np.bincount((self.outer, self.inner)[component]).astype(float)

    def spread(self, values: FloatArray, component: int) -> FloatArray:
        """Return the value of each row's group: the transpose of `sums`."""
        return np.asarray(values[(self.outer, self.inner)[component]], dtype=float)

    def sums_of_inner(self, values: FloatArray) -> FloatArray:
        """Return the sums of inner groups' values over their outer groups."""
        return _sums_by(self.parent, values)


def _sums_by(index: IntArray, rows: FloatArray) -> FloatArray:
    count = int(index.max()) + 1
    if rows.ndim == 1:
        return np.asarray(np.bincount(index, weights=rows, minlength=count), dtype=float)
    columns = [np.bincount(index, weights=column, minlength=count) for column in rows.T]
    return np.column_stack(columns) if columns else np.empty((count, 0))


def nested_groups(labels: Sequence[ArrayLike]) -> NestedGroups:
    """Return the groups of some labels, outermost first.

    Parameters
    ----------
    labels : sequence of array_like, each of shape (n,)
        One grouping, or two of which the second is nested in the first.

    Raises
    ------
    FirelabError
        If there are not one or two groupings, or the second crosses the first.
    RecordsInsufficient
        If a grouping is confounded with the residual or with the other.

    Examples
    --------
    >>> nested_groups([["a", "a", "b", "b"]]).outer
    array([0, 0, 1, 1])
    """
    if len(labels) not in (1, 2):
        raise FirelabError(
            f"{len(labels)} groupings were given",
            hint="give one grouping, or two of which the second is nested in the first",
        )
    outer = _numbered(labels[0])
    inner = _numbered(labels[1]) if len(labels) == 2 else np.arange(outer.size)
    pairs = np.unique(np.column_stack([inner, outer]), axis=0)
    if len(pairs) > int(inner.max()) + 1:
        raise FirelabError(
            "the second grouping is not nested in the first: one of its groups "
            "lies in two outer groups",
            hint="give the outer grouping first, and each inner group one outer group",
        )
    groups = NestedGroups(
        outer=outer, inner=inner, parent=pairs[:, 1], n_components=len(labels)
    )
    _refuse_confounded(groups)
    return groups


def _numbered(labels: Any) -> IntArray:
    return np.unique(np.asarray(labels), return_inverse=True)[1].astype(np.int64)


def _refuse_confounded(groups: NestedGroups) -> None:
    n, outer = groups.outer.size, int(groups.outer.max()) + 1
    inner = groups.parent.size
    if outer == 1:
        raise RecordsInsufficient(
            "all rows lie in one group; its effect cannot be told from the mean",
            hint="fire more than one load",
        )
    if groups.n_components == 2 and outer == inner:
        raise RecordsInsufficient("each outer group holds one inner group only")
    if n == (inner if groups.n_components == 2 else outer):
        raise RecordsInsufficient(
            "each group holds one row; its effect cannot be told from the residual",
            hint="fire more than one tile in a load",
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NestedCovariance:
    """The covariance V of some groups at given variance ratios.

    Attributes
    ----------
    groups : NestedGroups
    ratios : ndarray, shape (2,)
        Group variances over the residual variance; the second is 0 where
        there is one grouping.
    """

    groups: NestedGroups
    ratios: FloatArray

    @property
    def inner_weight(self) -> FloatArray:
        """The sum of each inner block's inverse, ignoring the outer effect."""
        sizes = self.groups.sizes(1)
        return np.asarray(sizes / (1.0 + self.ratios[1] * sizes), dtype=float)

    @property
    def outer_shrink(self) -> FloatArray:
        """1 + ratio x sum of the inner weights, of each outer group."""
        total = self.groups.sums_of_inner(self.inner_weight)
        return np.asarray(1.0 + self.ratios[0] * total, dtype=float)

    def log_determinant(self) -> float:
        """Return ln |V|."""
        inner = np.log1p(self.ratios[1] * self.groups.sizes(1)).sum()
        return float(inner + np.log(self.outer_shrink).sum())

    def solve(self, rows: FloatArray) -> FloatArray:
        """Return V^-1 times some columns, shape (n,) or (n, m)."""
        groups, theta = self.groups, self.ratios
        wide = rows if rows.ndim == 2 else rows[:, None]
        sizes = groups.sizes(1)
        shrink = (theta[1] / (1.0 + theta[1] * sizes))[:, None]
        inside = wide - groups.spread(shrink * groups.sums(wide, 1), 1)
        pull = theta[0] / self.outer_shrink
        weight = groups.spread(1.0 / (1.0 + theta[1] * sizes), 1)[:, None]
        between = groups.spread(pull[:, None] * groups.sums(inside, 0), 0)
        solved = inside - weight * between
        return solved if rows.ndim == 2 else solved[:, 0]

    def between(self, left: int, right: int, values: FloatArray) -> FloatArray:
        """Return Z_left' V^-1 Z_right times some columns, shape (groups, m)."""
        weight = self.inner_weight[:, None]
        shrink = self.outer_shrink[:, None]
        groups = self.groups
        if right == 0:
            total = groups.sums_of_inner(self.inner_weight)[:, None]
            scaled = values / shrink
            return total * scaled if left == 0 else weight * scaled[groups.parent]
        summed = groups.sums_of_inner(weight * values)
        if left == 0:
            return np.asarray(summed / shrink, dtype=float)
        pull = self.ratios[0] / shrink
        return np.asarray(weight * values - weight * (pull * summed)[groups.parent])

    def squared_norm(self, left: int, right: int) -> float:
        """Return the sum of the squared entries of Z_left' V^-1 Z_right."""
        weight, shrink, groups = self.inner_weight, self.outer_shrink, self.groups
        if left == right == 0:
            total = groups.sums_of_inner(weight)
            return float(((total / shrink) ** 2).sum())
        if left != right:
            return float(((weight / shrink[groups.parent]) ** 2).sum())
        pull = self.ratios[0] / shrink
        squares, cubes = groups.sums_of_inner(weight**2), groups.sums_of_inner(weight**3)
        return float((squares - 2 * pull * cubes + (pull * squares) ** 2).sum())

    def trace(self, component: int) -> float:
        """Return the trace of Z' V^-1 Z of one component."""
        weight, shrink, groups = self.inner_weight, self.outer_shrink, self.groups
        if component == 0:
            return float((groups.sums_of_inner(weight) / shrink).sum())
        squares = groups.sums_of_inner(weight**2)
        return float(weight.sum() - (self.ratios[0] / shrink * squares).sum())
