r"""Latin hypercubes with a large smallest distance, by swaps within columns.

Many plans are annealed side by side towards a common target :math:`D` for the
smallest squared distance. Each step looks at several swaps of two entries of
one column in every plan and takes the best by the pairs that are too near,

.. math:: \sum_{i<j,\; w_{ij} d_{ij}^2 < D} 1 + (D - w_{ij} d_{ij}^2) / D,

also when it is somewhat worse, ever less so. Where a plan reaches the target,
the target moves up. A swap leaves every column's values as they are, so the
plan stays Latin. Weights below 1 between rows of one slice keep each slice
spread out too.

References
----------
.. [1] Morris, M. D. and Mitchell, T. J. (1995). Exploratory designs for
   computational experiments. *J. Stat. Plan. Inference*, 43(3), 381-402.
.. [2] Jin, R., Chen, W. and Sudjianto, A. (2005). An efficient algorithm for
   constructing optimal design of computer experiments. *J. Stat. Plan.
   Inference*, 134(1), 268-287.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from firelab.arrays import BoolArray, FloatArray, IntArray

Permitted = Callable[[FloatArray, IntArray], BoolArray]
"""From coordinates, shape (..., k), of rows (...) to which may be fired, (...)."""

_WARM, _COLD = 0.65, 0.13
_RAISE = 1.02
"""Annealing temperatures and the rise of a target that was reached (chosen here with
the hypercubes of analyses/plans)."""
_FORBIDDEN = 10.0
"""Cost of a forbidden row, in pairs that are too near (chosen here, no source)."""
_FAR = 1e12
"""Stands on the diagonal of squared distances."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Effort:
    """How long to search: plans annealed side by side, steps of each, swaps in a step."""

    chains: int
    steps: int
    swaps: int


def _usual_effort(n: int) -> _Effort:
    """Return the effort for n rows: many chains for few rows, long ones for many."""
    if n <= 22:
        return _Effort(chains=12, steps=max(500, 80 * n), swaps=8 if n >= 8 else n // 2)
    return _Effort(chains=2, steps=2000, swaps=16)


def _squared_distances(points: FloatArray) -> FloatArray:
    """Return squared distances, far away on the diagonal, shape (..., n, n)."""
    apart = points[..., :, None, :] - points[..., None, :, :]
    square = (apart**2).sum(axis=-1)
    n = points.shape[-2]
    square[..., np.arange(n), np.arange(n)] = _FAR
    return np.asarray(square, dtype=float)


@dataclass(slots=True, kw_only=True, eq=False)
class _Chains:
    """B plans under way: points (B, n, k), weighted squares (B, n, n)."""

    points: FloatArray
    square: FloatArray
    target: float


@dataclass(slots=True, kw_only=True, eq=False)
class _Swap:
    """Swaps looked at: rows a and b (B, m), and their squares.

    `squares`, (4, B, m, n), are those of a and of b if swapped, then as they are.
    """

    a: IntArray
    b: IntArray
    squares: FloatArray


def maximin_columns(
    columns: FloatArray,
    *,
    rng: np.random.Generator,
    weights: FloatArray | None = None,
    permitted: Permitted | None = None,
) -> FloatArray:
    """Return the columns re-paired so that the smallest distance is large.

    Parameters
    ----------
    columns : ndarray, shape (n, k)
        Values of each column in any order, in units of one rank; a value may
        stand several times.
    rng : numpy.random.Generator
        Source of the random choices.
    weights : ndarray, shape (n, n), optional
        Factors on squared distances, for rows that should lie further apart.
    permitted : callable, optional
        Tells which rows a rule allows; a plan with fewer forbidden rows is
        always preferred.

    Returns
    -------
    ndarray, shape (n, k)
        Every column holds the values it held.
    """
    n = len(columns)
    if n < 3:
        return columns.copy()
    plan = _usual_effort(n)
    chains = _start(columns, plan.chains, weights, rng)
    best: FloatArray = chains.points[0].copy()
    best_worth = (-np.inf, 0.0)
    for warmth in np.geomspace(_WARM, _COLD, plan.steps):
        _step(chains, weights, permitted, plan.swaps, float(warmth), rng)
        forbidden = _forbidden(chains.points, permitted)
        least = chains.square.reshape(plan.chains, -1).min(axis=1)
        lead = int(np.lexsort((-least, forbidden))[0])
        merit = (-float(forbidden[lead]), float(least[lead]))
        if merit > best_worth:
            best, best_worth = chains.points[lead].copy(), merit
        if best_worth[1] >= chains.target and not forbidden[lead]:
            chains.target = max(best_worth[1] + 1.0, best_worth[1] * _RAISE)
    return best


def _forbidden(points: FloatArray, permitted: Permitted | None) -> FloatArray:
    if permitted is None:
        return np.zeros(points.shape[:-2])
    rows = np.broadcast_to(np.arange(points.shape[-2]), points.shape[:-1])
    return np.asarray((~permitted(points, rows)).sum(axis=-1), dtype=float)


def _start(
    columns: FloatArray,
    n_chains: int,
    weights: FloatArray | None,
    rng: np.random.Generator,
) -> _Chains:
    points = np.stack([rng.permuted(columns, axis=0) for _ in range(n_chains)])
    square = _squared_distances(points)
    if weights is not None:
        square *= weights
    least = square.min(axis=(1, 2)).max()
    return _Chains(points=points, square=square, target=float(least) + 1.0)


def _look(
    chains: _Chains,
    weights: FloatArray | None,
    column: int,
    n_swaps: int,
    rng: np.random.Generator,
) -> _Swap:
    """Choose pairs of rows at random and reckon their distances if swapped."""
    n_chains, n = chains.points.shape[:2]
    a = rng.integers(n, size=(n_chains, n_swaps))
    b = (a + rng.integers(1, n, size=a.shape)) % n
    squares = np.empty((4, n_chains, n_swaps, n))
    by_row, first = chains.square.reshape(-1, n), n * np.arange(n_chains)[:, None]
    by_row.take(first + a, axis=0, out=squares[2], mode="clip")
    by_row.take(first + b, axis=0, out=squares[3], mode="clip")
    values = np.ascontiguousarray(chains.points[:, :, column])
    at_a, at_b = values.take(first + a), values.take(first + b)
    others = values[:, None, :]
    gain = (at_b[..., None] - others) ** 2 - (at_a[..., None] - others) ** 2
    of_a, of_b = (gain if weights is None else gain * weights[row] for row in (a, b))
    np.add(squares[2], of_a, out=squares[0])
    np.subtract(squares[3], of_b, out=squares[1])
    new_a, new_b, old_a, old_b = squares.reshape(4, -1)
    start = n * np.arange(a.size)
    on_a, on_b = start + a.ravel(), start + b.ravel()
    # The distance between the two rows themselves does not change.
    new_a[on_b], new_b[on_a] = old_a[on_b], old_b[on_a]
    new_a[on_a] = new_b[on_b] = _FAR
    return _Swap(a=a, b=b, squares=squares)


def _step(
    chains: _Chains,
    weights: FloatArray | None,
    permitted: Permitted | None,
    n_swaps: int,
    warmth: float,
    rng: np.random.Generator,
) -> None:
    """Look at some swaps of one column in every chain; take or leave the best."""
    column = int(rng.integers(chains.points.shape[2]))
    swap = _look(chains, weights, column, n_swaps, rng)
    line = np.arange(len(chains.points))
    target = chains.target
    near = np.where(swap.squares < target, 2.0 - swap.squares / target, 0.0).sum(axis=3)
    change = near[0] + near[1] - near[2] - near[3]
    if permitted is not None:
        change = change + _FORBIDDEN * _newly_forbidden(chains, permitted, column, swap)
    best = change.argmin(axis=1)
    worse = change[line, best]
    taken = np.flatnonzero(worse <= -warmth * np.log(rng.random(len(line))))
    best = best[taken]
    a, b = swap.a[taken, best], swap.b[taken, best]
    for row, squares in ((a, swap.squares[0]), (b, swap.squares[1])):
        new = squares[taken, best]
        chains.square[taken, row] = new
        chains.square[taken, :, row] = new
    held = chains.points[taken, a, column]
    chains.points[taken, a, column] = chains.points[taken, b, column]
    chains.points[taken, b, column] = held


def _newly_forbidden(
    chains: _Chains, permitted: Permitted, column: int, swap: _Swap
) -> FloatArray:
    """Return how many rows more a rule would forbid after each swap, (B, m)."""
    every = np.arange(len(swap.a))[:, None]
    at_a, at_b = chains.points[every, swap.a], chains.points[every, swap.b]
    new_a, new_b = at_a.copy(), at_b.copy()
    new_a[..., column], new_b[..., column] = at_b[..., column], at_a[..., column]
    before = permitted(at_a, swap.a).astype(float) + permitted(at_b, swap.b)
    return np.asarray(before - permitted(new_a, swap.a) - permitted(new_b, swap.b))
