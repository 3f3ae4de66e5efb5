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
    """B plans under way: points (B, n, k), weighted squares (B, n, n), cost (B,)."""

    points: FloatArray
    square: FloatArray
    cost: FloatArray
    target: float


@dataclass(slots=True, kw_only=True, eq=False)
class _Swap:
    """Swaps looked at: rows a and b (B, m), their new squares (B, m, n)."""

    a: IntArray
    b: IntArray
    square_a: FloatArray
    square_b: FloatArray


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
    scale = np.ones((n, n)) if weights is None else weights
    chains = _start(columns, plan.chains, scale, permitted, rng)
    best: FloatArray = chains.points[0].copy()
    best_worth = (-np.inf, 0.0)
    for warmth in np.geomspace(_WARM, _COLD, plan.steps):
        _step(chains, scale, permitted, plan.swaps, float(warmth), rng)
        forbidden = _forbidden(chains.points, permitted)
        least = chains.square.min(axis=(1, 2))
        lead = int(np.lexsort((-least, forbidden))[0])
        merit = (-float(forbidden[lead]), float(least[lead]))
        if merit > best_worth:
            best, best_worth = chains.points[lead].copy(), merit
        if best_worth[1] >= chains.target and not forbidden[lead]:
            chains.target = max(best_worth[1] + 1.0, best_worth[1] * _RAISE)
            chains.cost = _cost(chains, permitted)
    return best


def _forbidden(points: FloatArray, permitted: Permitted | None) -> FloatArray:
    if permitted is None:
        return np.zeros(points.shape[:-2])
    rows = np.broadcast_to(np.arange(points.shape[-2]), points.shape[:-1])
    return np.asarray((~permitted(points, rows)).sum(axis=-1), dtype=float)


def _near(square: FloatArray, target: float) -> FloatArray:
    """Return what pairs cost: nothing where they are far enough apart."""
    return np.where(square < target, 2.0 - square / target, 0.0)


def _cost(chains: _Chains, permitted: Permitted | None) -> FloatArray:
    near = _near(chains.square, chains.target).sum(axis=(1, 2)) / 2
    return np.asarray(near + _FORBIDDEN * _forbidden(chains.points, permitted), dtype=float)


def _start(
    columns: FloatArray,
    n_chains: int,
    scale: FloatArray,
    permitted: Permitted | None,
    rng: np.random.Generator,
) -> _Chains:
    points = np.stack([rng.permuted(columns, axis=0) for _ in range(n_chains)])
    square = _squared_distances(points) * scale
    chains = _Chains(
        points=points,
        square=square,
        cost=np.zeros(n_chains),
        target=float(square.min(axis=(1, 2)).max()) + 1.0,
    )
    chains.cost = _cost(chains, permitted)
    return chains


def _look(
    chains: _Chains, scale: FloatArray, column: int, n_swaps: int, rng: np.random.Generator
) -> _Swap:
    """Choose pairs of rows at random and reckon their distances if swapped."""
    n_chains, n = chains.points.shape[:2]
    a = rng.integers(n, size=(n_chains, n_swaps))
    b = (a + rng.integers(1, n, size=a.shape)) % n
    every, slot = np.arange(n_chains)[:, None], np.arange(n_swaps)[None, :]
    values = chains.points[:, :, column]
    at_a, at_b = values[every, a][..., None], values[every, b][..., None]
    others = values[:, None, :]
    gain = (at_b - others) ** 2 - (at_a - others) ** 2
    old_a, old_b = chains.square[every, a], chains.square[every, b]
    new_a, new_b = old_a + gain * scale[a], old_b - gain * scale[b]
    # The distance between the two rows themselves does not change.
    new_a[every, slot, b] = old_a[every, slot, b]
    new_b[every, slot, a] = old_b[every, slot, a]
    new_a[every, slot, a] = _FAR
    new_b[every, slot, b] = _FAR
    return _Swap(a=a, b=b, square_a=new_a, square_b=new_b)


def _step(
    chains: _Chains,
    scale: FloatArray,
    permitted: Permitted | None,
    n_swaps: int,
    warmth: float,
    rng: np.random.Generator,
) -> None:
    """Look at some swaps of one column in every chain; take or leave the best."""
    column = int(rng.integers(chains.points.shape[2]))
    swap = _look(chains, scale, column, n_swaps, rng)
    line = np.arange(len(chains.points))
    every = line[:, None]
    old = chains.square[every, swap.a], chains.square[every, swap.b]
    nearness = [
        _near(square, chains.target).sum(axis=2)
        for square in (swap.square_a, swap.square_b, *old)
    ]
    change = nearness[0] + nearness[1] - nearness[2] - nearness[3]
    if permitted is not None:
        change = change + _FORBIDDEN * _newly_forbidden(chains, permitted, column, swap)
    best = change.argmin(axis=1)
    worse = change[line, best]
    taken = np.flatnonzero(worse <= -warmth * np.log(rng.random(len(line))))
    a, b = swap.a[taken, best[taken]], swap.b[taken, best[taken]]
    for row, square in ((a, swap.square_a), (b, swap.square_b)):
        chains.square[taken, row] = square[taken, best[taken]]
        chains.square[taken, :, row] = square[taken, best[taken]]
    held = chains.points[taken, a, column].copy()
    chains.points[taken, a, column] = chains.points[taken, b, column]
    chains.points[taken, b, column] = held
    chains.cost[taken] += worse[taken]


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
