"""Exchanges of rows, of loads and between two rows, in many plans at once.

Where a limit binds, a row cannot take more of a scarce powder unless another gives
it up; so pairs of rows swap their whole setting, or the part that takes the powder.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.plan.optimal.information import (
    Exchange,
    exchange_gains,
    shrinkage,
    update_inverse,
)
from firelab.plan.optimal.problem import FREE, Candidates, Criterion, Problem, Starts

_LEAST_GAIN = 1e-9
"""A smaller gain, of the criterion or as a share, is rounding (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchConstants:
    """What every pass over a problem needs, computed once.

    Attributes
    ----------
    neighbours : ndarray of int, shape (S, K)
    moments : ndarray, shape (p, p)
    c : ndarray, shape (L,)
        Shrinkage of each load.
    members : tuple of ndarray of int
        Rows of each load.
    """

    neighbours: IntArray
    moments: FloatArray
    c: FloatArray
    members: tuple[IntArray, ...]


def search_constants(problem: Problem) -> SearchConstants:
    """Return the constants of a search."""
    n_loads = len(problem.whole)
    return SearchConstants(
        neighbours=problem.candidates.neighbours(),
        moments=problem.candidates.moments(),
        c=shrinkage(problem.sizes, problem.eta),
        members=tuple(np.flatnonzero(problem.plot == load) for load in range(n_loads)),
    )


def _model_rows(problem: Problem, starts: Starts) -> FloatArray:
    """Return the model columns of each plan, shape (B, n, p)."""
    whole = starts.whole[:, problem.plot]
    return np.asarray(problem.candidates.rows[whole, starts.sub], dtype=float)


def _load_sums(constants: SearchConstants, rows: FloatArray) -> FloatArray:
    """Return the sum of the rows of each load, shape (B, L, p)."""
    return np.stack([rows[:, members].sum(axis=1) for members in constants.members], axis=1)


def information_of(
    problem: Problem, constants: SearchConstants, starts: Starts, ridge: float
) -> FloatArray:
    """Return the information of each plan with a ridge, shape (B, p, p)."""
    rows = _model_rows(problem, starts)
    sums = _load_sums(constants, rows)
    shrunk = np.einsum("blp,l,blq->bpq", sums, constants.c, sums)
    plain = rows.transpose(0, 2, 1) @ rows
    p = problem.candidates.n_terms
    return np.asarray(plain - shrunk + problem.standing + ridge * np.eye(p), dtype=float)


def sweep_rows(
    problem: Problem,
    constants: SearchConstants,
    starts: Starts,
    ridge: float,
    *,
    rows: IntArray | None = None,
) -> BoolArray:
    """Exchange each free row for its best neighbour; tell which plans gained.

    Parameters
    ----------
    problem : Problem
    constants : SearchConstants
    starts : Starts
        Changed in place.
    ridge : float
        Added to the information, so that a start may be singular.
    rows : ndarray of int, optional
        Only these rows; all of them where absent.

    Returns
    -------
    ndarray of bool, shape (B,)
    """
    x = _model_rows(problem, starts)
    sums = _load_sums(constants, x)
    information = information_of(problem, constants, starts, ridge)
    inverse = np.linalg.inv(information).astype(np.float64)
    every = np.arange(len(starts.sub))
    gained = np.zeros(len(every), dtype=bool)
    swept = np.arange(len(problem.sub)) if rows is None else rows
    for row in swept[problem.sub[swept] == FREE]:
        load = problem.plot[row]
        near = constants.neighbours[starts.sub[:, row]]
        offered = problem.candidates.rows[starts.whole[:, load, None], near]
        c = float(constants.c[load])
        change = offered - x[:, row, None]
        anchor = x[:, row] - c * sums[:, load]
        gains = exchange_gains(
            Exchange(change=change, anchor=anchor, c=c),
            inverse,
            constants.moments,
            problem.criterion,
        )
        gains[~_open_to(problem, starts, int(row), near)] = 0.0
        best = first_largest(gains)
        took = np.flatnonzero(gains[every, best] > 1.0 + _LEAST_GAIN)
        if not len(took):
            continue
        step = change[took, best[took]]
        inverse[took] = update_inverse(inverse[took], step, anchor[took], c)
        x[took, row] += step
        sums[took, load] += step
        new = near[took, best[took]]
        use = problem.candidates.use
        starts.used[took] += use[new] - use[starts.sub[took, row]]
        starts.sub[took, row] = new
        gained[took] = True
    return gained


def _open_to(problem: Problem, starts: Starts, row: int, near: IntArray) -> BoolArray:
    """Tell which neighbours the rules and the limits leave open, shape (B, K)."""
    candidates = problem.candidates
    open_to = candidates.allowed[starts.whole[:, problem.plot[row], None], near]
    if len(candidates.limits):
        room = candidates.limits - starts.used + candidates.use[starts.sub[:, row]]
        fits = candidates.use[near] <= room[:, None] + 1e-9
        open_to = open_to & fits.all(axis=2)
    return np.asarray(open_to, dtype=bool)


def sweep_loads(
    problem: Problem, constants: SearchConstants, starts: Starts, ridge: float
) -> BoolArray:
    """Give each free load, in place, its best whole-plot level; tell which plans gained.

    Returns
    -------
    ndarray of bool, shape (B,)
    """
    every = np.arange(len(starts.sub))
    gained = np.zeros(len(every), dtype=bool)
    information = information_of(problem, constants, starts, ridge)
    levels = np.arange(len(problem.candidates.rows))
    for load in np.flatnonzero(problem.whole == FREE):
        members, c = constants.members[load], constants.c[load]
        sub = starts.sub[:, members]
        offered = problem.candidates.rows[levels[None, :, None], sub[:, None, :]]
        sums = offered.sum(axis=2)
        share = offered.transpose(0, 1, 3, 2) @ offered
        share -= c * sums[:, :, :, None] * sums[:, :, None, :]
        here = starts.whole[:, load]
        without = information - share[every, here]
        value = criterion_value(
            without[:, None] + share, constants.moments, problem.criterion
        )
        allowed = problem.candidates.allowed[levels[None, :, None], sub[:, None, :]]
        value[~allowed.all(axis=2)] = -np.inf
        best = first_largest(value)
        took = np.flatnonzero(value[every, best] > value[every, here] + _LEAST_GAIN)
        information[took] = without[took] + share[took, best[took]]
        starts.whole[took, load] = best[took]
        gained[took] = True
    return gained


def first_largest(value: FloatArray) -> IntArray:
    """Return the place of the largest along the last axis, the first of equal ones.

    Equal to within `_LEAST_GAIN`, so that rounding, which differs between processors, does
    not choose between plans of one value.
    """
    largest = value.max(axis=-1, keepdims=True)
    return np.asarray((value >= largest - _LEAST_GAIN).argmax(axis=-1))


def criterion_value(
    information: FloatArray, moments: FloatArray, criterion: Criterion
) -> FloatArray:
    """Return the criterion of plans, larger is better, shape of the leading axes.

    Parameters
    ----------
    information : ndarray, shape (..., p, p)
    moments : ndarray, shape (p, p)
    criterion : {'D', 'I'}

    Returns
    -------
    ndarray
        ln det, or minus ln of the mean prediction variance; -inf where the
        plan is singular.
    """
    sign, logdet = np.linalg.slogdet(information)
    logdet = np.where(sign > 0, logdet, -np.inf)
    if criterion == "D":
        return np.asarray(logdet, dtype=float)
    sound = np.isfinite(logdet)
    safe = np.where(sound[..., None, None], information, np.eye(len(moments)))
    mean = np.einsum("...ij,ij->...", np.linalg.inv(safe), moments)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(sound & (mean > 0), -np.log(mean), -np.inf)


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


def _swap_once(problem: Problem, constants: SearchConstants, one: Starts) -> bool:
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
    information = information_of(problem, constants, one, 0.0)[0]
    rows = _model_rows(problem, one)[0]
    change = _pair_change(
        problem,
        constants,
        rows,
        (a, b),
        candidates.rows[whole[a], x],
        candidates.rows[whole[b], y],
    )
    value = criterion_value(information + change, constants.moments, problem.criterion)
    before = criterion_value(information[None], constants.moments, problem.criterion)[0]
    best = int(first_largest(value))
    if not value[best] > before + _LEAST_GAIN:
        return False
    one.used[0] += use[x[best]] + use[y[best]] - use[sub[a[best]]] - use[sub[b[best]]]
    one.sub[0, a[best]], one.sub[0, b[best]] = x[best], y[best]
    return True


def _pair_change(
    problem: Problem,
    constants: SearchConstants,
    rows: FloatArray,
    pair: tuple[IntArray, IntArray],
    new_a: FloatArray,
    new_b: FloatArray,
) -> FloatArray:
    """Return the change of information when two rows change, shape (Q, p, p)."""
    a, b = pair
    sums = np.stack([rows[members].sum(axis=0) for members in constants.members])
    step_a, step_b = new_a - rows[a], new_b - rows[b]
    change = _outer(new_a) - _outer(rows[a]) + _outer(new_b) - _outer(rows[b])
    load_a, load_b = problem.plot[a], problem.plot[b]
    same = (load_a == load_b)[:, None]
    moved_a = np.where(same, step_a + step_b, step_a)
    moved_b = np.where(same, 0.0, step_b)
    for load, step in ((load_a, moved_a), (load_b, moved_b)):
        before = sums[load]
        c = constants.c[load][:, None, None]
        change -= c * (_outer(before + step) - _outer(before))
    return change


def _outer(rows: FloatArray) -> FloatArray:
    return np.asarray(rows[:, :, None] * rows[:, None, :], dtype=float)


_MOST_SWAPS = 40
"""Swaps of one plan, one after the other (chosen here, no source)."""


def swap_rows(problem: Problem, constants: SearchConstants, one: Starts) -> bool:
    """Make the best swaps of a single plan, in place; tell whether any was made."""
    made = 0
    while made < _MOST_SWAPS and _swap_once(problem, constants, one):
        made += 1
    return made > 0
