r"""Gauss-Hermite nodes, and looks cut into chunks of whole loads."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.grade_design import GradeDesign

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Nodes(NamedTuple):
    r"""Gauss-Hermite nodes for a standard normal weight.

    Attributes
    ----------
    place : ndarray, shape (K,)
        :math:`\sqrt 2 x_k`.
    log_weight : ndarray, shape (K,)
        Log of weight times :math:`e^{x^2}`, normal constant included.
    """

    place: FloatArray
    log_weight: FloatArray


def hermite_nodes(count: int) -> Nodes:
    """Return nodes that integrate against a standard normal density."""
    x, w = np.polynomial.hermite.hermgauss(count)
    return Nodes(np.sqrt(2.0) * x, np.log(w) + x * x - 0.5 * np.log(np.pi))


class LoadChunk(NamedTuple):
    """Whole loads, with the cells of each in one run.

    Attributes
    ----------
    upper, lower : ndarray, shape (m, q)
    upper_offset, lower_offset, weights : ndarray, shape (m,)
    starts : ndarray of int, shape (G,)
        First cell of each load within the chunk.
    load : ndarray of int, shape (m,)
        Load of each cell, from 0 within the chunk.
    loads : slice
        Which loads of the whole these are.
    """

    upper: FloatArray
    lower: FloatArray
    upper_offset: FloatArray
    lower_offset: FloatArray
    weights: FloatArray
    starts: IntArray
    load: IntArray
    loads: slice

    def cuts(self, linear: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return lower and upper cut of each cell, without load effects."""
        return (
            self.lower @ linear + self.lower_offset,
            self.upper @ linear + self.upper_offset,
        )

    def add_up(self, by_cell: FloatArray) -> FloatArray:
        """Sum over the cells of each load."""
        return np.asarray(np.add.reduceat(by_cell, self.starts, axis=0))


def cut_into_chunks(
    design: GradeDesign, load: IntArray, most_rows: int
) -> Iterator[LoadChunk]:
    """Yield the cells in chunks of whole loads.

    Parameters
    ----------
    design : GradeDesign
        Cells sorted by load.
    load : ndarray of int, shape (n,)
        Load of each cell, 0 to G - 1, ascending.
    most_rows : int
        Cells of one chunk; only a single load larger than that exceeds it.
    """
    starts = np.flatnonzero(np.r_[True, load[1:] != load[:-1]])
    bounds = np.r_[starts, len(load)]
    first = 0
    while first < len(starts):
        last = int(np.searchsorted(bounds, bounds[first] + most_rows, "right")) - 1
        last = min(max(last, first + 1), len(starts))
        rows = slice(int(bounds[first]), int(bounds[last]))
        block = design.block(rows)
        yield LoadChunk(
            block.upper,
            block.lower,
            block.upper_offset,
            block.lower_offset,
            block.weights,
            starts[first:last] - starts[first],
            load[rows] - first,
            slice(first, last),
        )
        first = last
