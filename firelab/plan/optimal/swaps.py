"""Swaps between two rows: what single exchanges cannot do where a limit binds.

A row cannot take more of a scarce powder unless another gives it up; so pairs
of rows swap their whole setting, or the part of it that takes the powder.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from firelab.plan.optimal.candidates import Candidates
from firelab.plan.optimal.problem import FREE, Problem
from firelab.plan.optimal.starts import Starts
from firelab.plan.optimal.sweeps import Ground, information_of, model_rows, plan_worth

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

_WORTH = 1e-9


def limits_bind(candidates: Candidates, used: FloatArray) -> bool:
    """Tell whether some setting would take more than is left, shape (R,) used."""
    if not len(candidates.limits):
        return False
    return bool((used + candidates.use.max(axis=0) > candidates.limits + 1e-9).any())


def _scarce_columns(candidates: Candidates) -> IntArray:
    """Return the sub-plot factors on which the use of a resource depends."""
    depends = []
    for column in range(candidates.codes.shape[1]):
        others = np.delete(candidates.codes, column, axis=1)
        _, group = np.unique(others, axis=0, return_inverse=True)
        means = [candidates.use[group == g] for g in range(group.max() + 1)]
        if any(np.ptp(one, axis=0).any() for one in means):
            depends.append(column)
    return np.array(depends, dtype=np.int64)


def _lookup(candidates: Candidates) -> tuple[IntArray, IntArray]:
    """Return mixed-radix strides and the setting at each radix number, or -1."""
    sizes = candidates.codes.max(axis=0) + 1
    strides = np.concatenate([np.cumprod(sizes[::-1])[::-1][1:], [1]]).astype(np.int64)
    table = np.full(int(np.prod(sizes)), -1, dtype=np.int64)
    table[candidates.codes @ strides] = np.arange(len(candidates.codes))
    return strides, table


def _swapped(
    candidates: Candidates, first: IntArray, second: IntArray
) -> list[tuple[IntArray, IntArray]]:
    """Return the settings of pairs of rows after each kind of swap."""
    strides, table = _lookup(candidates)
    scarce = _scarce_columns(candidates)
    every = np.arange(candidates.codes.shape[1], dtype=np.int64)
    kinds: list[IntArray] = [every, scarce, *(scarce[[i]] for i in range(len(scarce)))]
    pairs = []
    for columns in kinds:
        left, right = candidates.codes[first].copy(), candidates.codes[second].copy()
        left[:, columns], right[:, columns] = (
            candidates.codes[second][:, columns],
            candidates.codes[first][:, columns],
        )
        pairs.append((table[left @ strides], table[right @ strides]))
    return pairs


def _swap_once(problem: Problem, ground: Ground, one: Starts) -> bool:
    """Make the best swap of one plan; tell whether there was one."""
    candidates = problem.candidates
    free = np.flatnonzero(problem.sub == FREE)
    pair = np.array(list(combinations(free, 2)), dtype=np.int64).reshape(-1, 2)
    sub, whole = one.sub[0], one.whole[0][problem.plot]
    parts: list[list[IntArray]] = []
    for left, right in _swapped(candidates, sub[pair[:, 0]], sub[pair[:, 1]]):
        changed = (left != sub[pair[:, 0]]) & (left >= 0) & (right >= 0)
        parts.append([one[changed] for one in (pair[:, 0], pair[:, 1], left, right)])
    a, b, x, y = (np.concatenate(one) for one in zip(*parts, strict=True))
    use = candidates.use
    used = one.used[0] - use[sub[a]] - use[sub[b]] + use[x] + use[y]
    sound = (used <= candidates.limits + 1e-9).all(axis=1)
    sound &= candidates.allowed[whole[a], x] & candidates.allowed[whole[b], y]
    a, b, x, y = a[sound], b[sound], x[sound], y[sound]
    if not len(a):
        return False
    information = information_of(problem, ground, one, 0.0)[0]
    rows = model_rows(problem, one)[0]
    change = _pair_change(
        problem,
        ground,
        rows,
        (a, b),
        candidates.rows[whole[a], x],
        candidates.rows[whole[b], y],
    )
    worth = plan_worth(information + change, ground.moments, problem.criterion)
    before = plan_worth(information[None], ground.moments, problem.criterion)[0]
    best = int(worth.argmax())
    if not worth[best] > before + _WORTH:
        return False
    one.used[0] += use[x[best]] + use[y[best]] - use[sub[a[best]]] - use[sub[b[best]]]
    one.sub[0, a[best]], one.sub[0, b[best]] = x[best], y[best]
    return True


def _pair_change(
    problem: Problem,
    ground: Ground,
    rows: FloatArray,
    pair: tuple[IntArray, IntArray],
    new_a: FloatArray,
    new_b: FloatArray,
) -> FloatArray:
    """Return the change of information when two rows change, shape (Q, p, p)."""
    a, b = pair
    sums = np.stack([rows[members].sum(axis=0) for members in ground.members])
    step_a, step_b = new_a - rows[a], new_b - rows[b]
    change = _outer(new_a) - _outer(rows[a]) + _outer(new_b) - _outer(rows[b])
    load_a, load_b = problem.plot[a], problem.plot[b]
    same = (load_a == load_b)[:, None]
    moved_a = np.where(same, step_a + step_b, step_a)
    moved_b = np.where(same, 0.0, step_b)
    for load, step in ((load_a, moved_a), (load_b, moved_b)):
        before = sums[load]
        c = ground.c[load][:, None, None]
        change -= c * (_outer(before + step) - _outer(before))
    return change


def _outer(rows: FloatArray) -> FloatArray:
    return np.asarray(rows[:, :, None] * rows[:, None, :], dtype=float)


def swap_rows(problem: Problem, ground: Ground, one: Starts, *, most: int = 40) -> bool:
    """Make the best swaps of one plan, one after the other.

    Parameters
    ----------
    problem : Problem
    ground : Ground
    one : Starts
        A single plan, changed in place.
    most : int, default 40
        Swaps at most.

    Returns
    -------
    bool
        Whether any swap was made.
    """
    made = 0
    while made < most and _swap_once(problem, ground, one):
        made += 1
    return made > 0
