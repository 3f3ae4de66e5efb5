"""The search for an optimal plan: many starts, sweeps until nothing gains.

A load cannot take a level at which a rule forbids one of its tiles, nor gains
at once from a level for which its tiles were not chosen. So each load of the
best few plans is tried at every level: forbidden tiles give way to the nearest
allowed ones, its tiles are exchanged, and the level is kept if the plan gained.
"""

from __future__ import annotations

import numpy as np

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.plan.optimal.problem import (
    FREE,
    Candidates,
    Found,
    Problem,
    Starts,
    draw_starts,
)
from firelab.plan.optimal.sweeps import (
    _LEAST_GAIN,
    SearchConstants,
    criterion_value,
    first_largest,
    information_of,
    limits_bind,
    search_constants,
    swap_rows,
    sweep_loads,
    sweep_rows,
)

_PASSES = 2
"""Sweeps over a moved load's tiles before it is judged (chosen here, no source)."""
_OTHER_USE = 100
"""More than any number of coordinates: use of a scarce powder is matched first."""


def _nearest_allowed(candidates: Candidates) -> IntArray:
    """Return the allowed setting nearest to each, at each level, shape (W, S).

    Nearest in the number of coordinates that differ, one that takes the same
    of every limited resource first; -1 where a level allows nothing.
    """
    allowed, codes, use = candidates.allowed, candidates.codes, candidates.use
    near = np.tile(np.arange(len(codes)), (len(allowed), 1))
    for level, open_to in enumerate(allowed):
        choices = np.flatnonzero(open_to)
        shut = np.flatnonzero(~open_to)
        if not len(choices):
            near[level] = -1
            continue
        apart = (codes[shut, None] != codes[None, choices]).sum(axis=2)
        apart += _OTHER_USE * (use[shut, None] != use[None, choices]).any(axis=2)
        near[level, shut] = choices[apart.argmin(axis=1)]
    return near


def _moved(
    problem: Problem, starts: Starts, load: int, members: IntArray, near: IntArray
) -> tuple[Starts, BoolArray]:
    """Return each plan with the load at every level, and which of them are sound."""
    n_levels = len(near)
    trial = starts.pick(np.repeat(np.arange(len(starts.sub)), n_levels))
    level = np.tile(np.arange(n_levels), len(starts.sub))
    old = trial.sub[:, members]
    new = near[level[:, None], old]
    sound = (new >= 0).all(axis=1)
    given = problem.sub[members] != FREE
    sound &= (new[:, given] == old[:, given]).all(axis=1)
    new = np.where(new >= 0, new, old)
    trial.whole[:, load] = level
    trial.sub[:, members] = new
    use = problem.candidates.use
    trial.used += use[new].sum(axis=1) - use[old].sum(axis=1)
    sound &= (trial.used <= problem.candidates.limits + 1e-9).all(axis=1)
    return trial, sound


def _rebuild_loads(
    problem: Problem, constants: SearchConstants, starts: Starts, ridge: float
) -> bool:
    """Try every free load at every level; tell whether any plan gained.

    Takes what ``sweep_loads`` takes, and changes `starts` in place likewise.
    """
    near = _nearest_allowed(problem.candidates)
    n_levels = len(near)
    every = np.arange(len(starts.sub))
    value = _criterion_values(problem, constants, starts, ridge)
    gained = False
    for load in np.flatnonzero(problem.whole == FREE):
        members = constants.members[load]
        trial, sound = _moved(problem, starts, int(load), members, near)
        for _ in range(_PASSES):
            sweep_rows(problem, constants, trial, ridge, rows=members)
        reached = np.where(
            sound, _criterion_values(problem, constants, trial, ridge), -np.inf
        )
        table = reached.reshape(len(every), n_levels)
        best = first_largest(table)
        took = np.flatnonzero(table[every, best] > value + _LEAST_GAIN)
        if len(took):
            gained = True
            starts.put(took, trial.pick(took * n_levels + best[took]))
            value[took] = table[took, best[took]]
    return gained


_RIDGES = (1e-3, 1e-7)
"""Added to the information, a larger one first, so that singular starts can move."""
_MOST_SWEEPS = 60
_REBUILT, _REBUILD_ROUNDS = 8, 4
_SWAPPED, _SWAP_ROUNDS = 2, 6
"""Effort, chosen so that the published determinants of analyses/plans are reached."""


def _improve(
    problem: Problem, constants: SearchConstants, starts: Starts, ridge: float
) -> None:
    """Sweep until no plan gains; plans that stand still are left out."""
    moving = np.arange(len(starts.sub))
    for _ in range(_MOST_SWEEPS):
        part = starts.pick(moving)
        gained = sweep_rows(problem, constants, part, ridge)
        gained |= sweep_loads(problem, constants, part, ridge)
        starts.put(moving, part)
        moving = moving[gained]
        if not len(moving):
            return


def _criterion_values(
    problem: Problem, constants: SearchConstants, starts: Starts, ridge: float = 0.0
) -> FloatArray:
    information = information_of(problem, constants, starts, ridge)
    return criterion_value(information, constants.moments, problem.criterion)


def _swap_best(problem: Problem, constants: SearchConstants, starts: Starts) -> None:
    """Swap rows of the best few plans where a limit binds, sweeping in between."""
    for place in np.argsort(-_criterion_values(problem, constants, starts))[:_SWAPPED]:
        one = starts.pick(np.array([place]))
        for _ in range(_SWAP_ROUNDS):
            if not limits_bind(problem.candidates, one.used[0]):
                break
            if not swap_rows(problem, constants, one):
                break
            _improve(problem, constants, one, _RIDGES[-1])
        starts.put(np.array([place]), one)


def _rebuild_best(problem: Problem, constants: SearchConstants, starts: Starts) -> None:
    """Rebuild the loads of the best few plans, sweeping in between."""
    if len(problem.candidates.rows) < 2:
        return
    best = np.argsort(-_criterion_values(problem, constants, starts))[:_REBUILT]
    part = starts.pick(best)
    for _ in range(_REBUILD_ROUNDS):
        if not _rebuild_loads(problem, constants, part, _RIDGES[-1]):
            break
        _improve(problem, constants, part, _RIDGES[-1])
    starts.put(best, part)


SEARCHES = 15
"""Searches that the starts are shared out to, so that they can tell how far their ends
differ. Each has a fifteenth of the starts, so that it rather tells too much: the fewest of
4, 6, 8, 10, 12, 15 and 20 for which every one of the first ten seeds of `split_plot_seeds`
in analyses/plans told what its plan lacks or more; the other ten then did too."""


def search_design(
    problem: Problem, *, n_starts: int, rng: np.random.Generator
) -> Found | None:
    """Return the best plan found.

    Returns
    -------
    Found or None
        None where no plan that keeps rules and limits can carry the model.
    """
    constants = search_constants(problem)
    starts = draw_starts(problem, n_starts, rng=rng)
    if not len(starts.sub):
        return None
    for ridge in _RIDGES:
        _improve(problem, constants, starts, ridge)
    _rebuild_best(problem, constants, starts)
    _swap_best(problem, constants, starts)
    value = _criterion_values(problem, constants, starts)
    best = int(first_largest(value))
    if not np.isfinite(value[best]):
        return None
    return Found(
        whole=starts.whole[best],
        sub=starts.sub[best],
        value=float(value[best]),
        behind=_behind(problem, value),
    )


def _behind(problem: Problem, value: FloatArray) -> float:
    """Return by which share of the efficiency the last of separate searches is behind.

    The efficiency of a determinant is its p-th root (Atkinson, Donev and Tobias 2007,
    Optimum Experimental Designs, with SAS, section 11.2).
    """
    bests = [value[first::SEARCHES].max() for first in range(min(SEARCHES, len(value)))]
    power = 1.0 / problem.candidates.n_terms if problem.criterion == "D" else 1.0
    return float(-np.expm1((min(bests) - max(bests)) * power))
