r"""The linear part of a cumulative link model: which cut lies where for which look.

A look with grade :math:`y` lies between its lower and upper cut,

.. math:: b = (\theta_y - w'\gamma_y - x'\beta - o) / e^{s'\zeta},

and :math:`a` the same with :math:`y - 1`. All parameters stand in one vector:
thresholds (or what spaces them), nominal effects cut by cut, coefficients,
scale effects. Looks that agree in everything are added up to one cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BLOCK_ROWS = 1 << 14
_SAMPLE_ROWS = 2000


class Block(NamedTuple):
    """Some cells with the derivatives of their cuts by the linear parameters.

    Attributes
    ----------
    upper, lower : ndarray, shape (m, q)
        Zero rows where a cut is infinite.
    upper_offset, lower_offset : ndarray, shape (m,)
        What is added to the cut; infinite at the ends of the scale.
    weights : ndarray, shape (m,)
    scale : ndarray, shape (m, k)
    rows : slice
        Which cells of the design these are.
    """

    upper: FloatArray
    lower: FloatArray
    upper_offset: FloatArray
    lower_offset: FloatArray
    weights: FloatArray
    scale: FloatArray
    rows: slice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradeDesign:
    """Cells of looks, and how parameters move their cuts.

    Attributes
    ----------
    y : ndarray of int, shape (n,)
        Grade from 0.
    X : ndarray, shape (n, p)
    nominal : ndarray, shape (n, w)
        Columns whose effect differs from cut to cut.
    scale : ndarray, shape (n, k)
        Columns that widen the latent distribution.
    offset, weights : ndarray, shape (n,)
    n_grades : int
        J.
    spacing : ndarray, shape (J - 1, m)
        Thresholds are ``spacing @ alpha``; the identity where they are flexible.
    """

    y: IntArray
    X: FloatArray
    nominal: FloatArray
    scale: FloatArray
    offset: FloatArray
    weights: FloatArray
    n_grades: int
    spacing: FloatArray

    @property
    def n_spacing(self) -> int:
        """Number of parameters that place the thresholds."""
        return int(self.spacing.shape[1])

    @property
    def n_nominal(self) -> int:
        """Number of nominal effects: columns times cuts."""
        return int(self.nominal.shape[1]) * (self.n_grades - 1)

    @property
    def n_linear(self) -> int:
        """Number of parameters that move a cut linearly."""
        return self.n_spacing + self.n_nominal + int(self.X.shape[1])

    @property
    def n_parameters(self) -> int:
        """Number of all parameters."""
        return self.n_linear + int(self.scale.shape[1])

    def blocks(self, *, grade: int | None = None) -> Iterator[Block]:
        """Yield the cells in blocks that fit the processor's cache.

        Parameters
        ----------
        grade : int, optional
            Pretend that every look had this grade.
        """
        for start in range(0, len(self.y), BLOCK_ROWS):
            yield self.block(slice(start, start + BLOCK_ROWS), grade=grade)

    def block(self, rows: slice, *, grade: int | None = None) -> Block:
        """Return some cells as a block."""
        y = self.y[rows] if grade is None else np.full(len(self.y[rows]), grade)
        offset = -self.offset[rows]
        upper, upper_offset = self._cut(rows, y, offset, np.inf)
        lower, lower_offset = self._cut(rows, y - 1, offset, -np.inf)
        return Block(
            upper,
            lower,
            upper_offset,
            lower_offset,
            self.weights[rows],
            self.scale[rows],
            rows,
        )

    def _cut(
        self, rows: slice, cut: IntArray, offset: FloatArray, infinite: float
    ) -> tuple[FloatArray, FloatArray]:
        last = self.n_grades - 1
        outside = (cut < 0) | (cut >= last)
        table = np.vstack([self.spacing, np.zeros((1, self.n_spacing))])
        at = np.where(outside, last, cut)
        columns = np.empty((len(cut), self.n_linear))
        m = self.n_spacing
        columns[:, :m] = table[at]
        columns[:, m + self.n_nominal :] = -self.X[rows]
        if self.n_nominal:
            onto = np.vstack([np.eye(last), np.zeros((1, last))])[at]
            moved = -onto[:, :, None] * self.nominal[rows][:, None, :]
            columns[:, m : m + self.n_nominal] = moved.reshape(len(cut), -1)
        columns[outside, m + self.n_nominal :] = 0.0
        return columns, np.where(outside, infinite, offset)

    def take(self, rows: NDArray[np.intp] | slice) -> GradeDesign:
        """Return the design of some cells, in that order."""
        return replace(
            self,
            y=self.y[rows],
            X=self.X[rows],
            nominal=self.nominal[rows],
            scale=self.scale[rows],
            offset=self.offset[rows],
            weights=self.weights[rows],
        )


def threshold_spacing(n_grades: int, structure: str) -> FloatArray:
    """Return the matrix that places thresholds: flexible, equidistant or symmetric.

    Parameters
    ----------
    n_grades : int
        J.
    structure : {'flexible', 'equidistant', 'symmetric'}
        Equidistant: first threshold and spacing. Symmetric: the middle (one
        threshold or two) and the spacings outward, alike on both sides.

    Returns
    -------
    ndarray, shape (J - 1, m)

    Examples
    --------
    >>> threshold_spacing(4, "equidistant")
    array([[1., 0.],
           [1., 1.],
           [1., 2.]])
    """
    cuts = n_grades - 1
    if structure == "flexible" or cuts < 2:
        return np.eye(cuts)
    if structure == "equidistant":
        return np.column_stack([np.ones(cuts), np.arange(cuts, dtype=float)])
    centre = np.ones((cuts, 1))
    outward = np.zeros((cuts, cuts // 2))
    for place in range(cuts // 2):
        outward[place, place] = -1.0
        outward[cuts - 1 - place, place] = 1.0
    return np.hstack([centre, outward])


def add_up_cells(design: GradeDesign, labels: IntArray) -> tuple[GradeDesign, IntArray]:
    """Add up looks that agree in grade, covariates, offset and labels.

    Parameters
    ----------
    design : GradeDesign
    labels : ndarray of int, shape (n, c)
        Groups a look belongs to; kept apart.

    Returns
    -------
    tuple of (GradeDesign, ndarray)
        Unchanged where a sample shows that hardly any looks agree.
    """
    parts: list[NDArray[Any]] = [design.y[:, None], design.X, design.nominal, design.scale]
    parts += [design.offset[:, None], labels]
    n = len(design.y)
    if n > 2 * _SAMPLE_ROWS:
        step = n // _SAMPLE_ROWS
        sample = _keys([part[::step] for part in parts])
        if len(np.unique(sample)) > 0.7 * len(sample):
            return design, labels
    key = _keys(parts)
    _, first, cell = np.unique(key, return_index=True, return_inverse=True)
    if len(first) == n or not _all_agree(parts, first[cell]):
        return design, labels
    weights = np.bincount(cell, weights=design.weights, minlength=len(first))
    added = replace(design.take(first), weights=weights.astype(np.float64))
    return added, labels[first]


def _keys(parts: list[NDArray[Any]]) -> FloatArray:
    """One number per row that differs, almost surely, where any entry differs."""
    key = np.zeros(len(parts[0]))
    place = 2
    for part in parts:
        for column in part.T:
            key += column * np.sqrt(place + 0.6180339887)
            place += 1
    return key


def _all_agree(parts: list[NDArray[Any]], first: IntArray) -> bool:
    return all(bool(np.array_equal(part, part[first])) for part in parts)
