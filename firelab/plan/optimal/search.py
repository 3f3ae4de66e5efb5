"""The search for an optimal plan: many starts, sweeps until nothing gains."""

from __future__ import annotations

import numpy as np

from firelab.plan.optimal.problem import Found, Problem
from firelab.plan.optimal.rebuild import rebuild_loads
from firelab.plan.optimal.starts import Starts, draw_starts
from firelab.plan.optimal.swaps import limits_bind, swap_rows
from firelab.plan.optimal.sweeps import (
    Ground,
    information_of,
    plan_worth,
    prepare_ground,
    sweep_loads,
    sweep_rows,
)

_RIDGES = (1e-3, 1e-7)
_MOST_SWEEPS = 60
_REBUILT = 8
_REBUILD_ROUNDS = 4
_SWAPPED = 2
_SWAP_ROUNDS = 6


def _improve(problem: Problem, ground: Ground, starts: Starts, ridge: float) -> None:
    """Sweep until no plan gains; plans that stand still are left out."""
    moving = np.arange(len(starts.sub))
    for _ in range(_MOST_SWEEPS):
        part = starts.pick(moving)
        gained = sweep_rows(problem, ground, part, ridge)
        gained |= sweep_loads(problem, ground, part, ridge)
        starts.put(moving, part)
        moving = moving[gained]
        if not len(moving):
            return


def _worth(problem: Problem, ground: Ground, starts: Starts) -> np.ndarray:
    information = information_of(problem, ground, starts, 0.0)
    return plan_worth(information, ground.moments, problem.criterion)


def _swap_best(problem: Problem, ground: Ground, starts: Starts) -> None:
    """Swap rows of the best few plans where a limit binds, sweeping in between."""
    for place in np.argsort(-_worth(problem, ground, starts))[:_SWAPPED]:
        one = starts.pick(np.array([place]))
        for _ in range(_SWAP_ROUNDS):
            if not limits_bind(problem.candidates, one.used[0]):
                break
            if not swap_rows(problem, ground, one):
                break
            _improve(problem, ground, one, _RIDGES[-1])
        starts.put(np.array([place]), one)


def _rebuild_best(problem: Problem, ground: Ground, starts: Starts) -> None:
    """Rebuild the loads of the best few plans, sweeping in between."""
    if len(problem.candidates.rows) < 2:
        return
    best = np.argsort(-_worth(problem, ground, starts))[:_REBUILT]
    part = starts.pick(best)
    for _ in range(_REBUILD_ROUNDS):
        if not rebuild_loads(problem, ground, part, _RIDGES[-1]):
            break
        _improve(problem, ground, part, _RIDGES[-1])
    starts.put(best, part)


def search_design(
    problem: Problem, *, n_starts: int, rng: np.random.Generator
) -> Found | None:
    """Return the best plan found.

    Parameters
    ----------
    problem : Problem
    n_starts : int
        Plans to set out from.
    rng : numpy.random.Generator

    Returns
    -------
    Found or None
        None where no plan that keeps rules and limits can carry the model.
    """
    ground = prepare_ground(problem)
    starts = draw_starts(problem, n_starts, rng=rng)
    if not len(starts.sub):
        return None
    for ridge in _RIDGES:
        _improve(problem, ground, starts, ridge)
    _rebuild_best(problem, ground, starts)
    _swap_best(problem, ground, starts)
    worth = _worth(problem, ground, starts)
    best = int(worth.argmax())
    if not np.isfinite(worth[best]):
        return None
    return Found(whole=starts.whole[best], sub=starts.sub[best], value=float(worth[best]))
