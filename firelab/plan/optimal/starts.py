"""Random plans from which a search sets out, many side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.plan.optimal.problem import FREE, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_TRIES = 6
_SPARING = 3.0
_UNEVEN = 0.7


@dataclass(slots=True, kw_only=True, eq=False)
class Starts:
    """B plans that are improved in place.

    Attributes
    ----------
    whole : ndarray of int, shape (B, L)
    sub : ndarray of int, shape (B, n)
    used : ndarray, shape (B, R)
        What each plan takes of each limited resource.
    """

    whole: IntArray
    sub: IntArray
    used: FloatArray

    def pick(self, which: NDArray[np.bool_] | IntArray) -> Starts:
        """Return a copy of some of the plans."""
        return Starts(whole=self.whole[which], sub=self.sub[which], used=self.used[which])

    def put(self, which: IntArray, changed: Starts) -> None:
        """Write changed plans back."""
        self.whole[which] = changed.whole
        self.sub[which] = changed.sub
        self.used[which] = changed.used


def draw_starts(problem: Problem, n_starts: int, *, rng: np.random.Generator) -> Starts:
    """Return random plans that keep every rule and every limit.

    Parameters
    ----------
    problem : Problem
    n_starts : int
        How many are wanted; fewer come back where limits are tight, none
        where no plan was found.
    rng : numpy.random.Generator

    Returns
    -------
    Starts
    """
    kept: list[Starts] = []
    missing = n_starts
    for trial in range(_TRIES):
        drawn, fits = _draw(problem, n_starts, trial * _SPARING, rng)
        kept.append(drawn.pick(np.flatnonzero(fits)[:missing]))
        missing -= len(kept[-1].sub)
        if not missing:
            break
    return Starts(
        whole=np.concatenate([one.whole for one in kept]),
        sub=np.concatenate([one.sub for one in kept]),
        used=np.concatenate([one.used for one in kept]),
    )


def _draw(
    problem: Problem, n_starts: int, sparing: float, rng: np.random.Generator
) -> tuple[Starts, NDArray[np.bool_]]:
    """Draw row by row; the larger `sparing`, the more a scarce resource is spared."""
    candidates = problem.candidates
    whole = _draw_whole(problem, n_starts, rng)
    n, limits = len(problem.plot), candidates.limits
    sub = np.zeros((n_starts, n), dtype=np.int64)
    used = np.zeros((n_starts, len(limits)))
    fits = np.ones(n_starts, dtype=bool)
    dear = (candidates.use / np.maximum(limits, 1e-9)).sum(axis=1) * n
    # Rows that are given take their share before the free ones choose.
    given_first = np.argsort(problem.sub == FREE, kind="stable")
    for row in given_first:
        open_to = candidates.allowed[whole[:, problem.plot[row]]].copy()
        if problem.sub[row] != FREE:
            chosen = np.full(n_starts, problem.sub[row])
        else:
            room = limits - used
            open_to &= (candidates.use[None] <= room[:, None] + 1e-9).all(axis=2)
            keys = rng.gumbel(size=open_to.shape) - sparing * dear
            chosen = np.where(open_to, keys, -np.inf).argmax(axis=1)
        fits &= open_to[np.arange(n_starts), chosen]
        sub[:, row] = chosen
        used += candidates.use[chosen]
    fits &= (used <= limits + 1e-9).all(axis=1)
    return Starts(whole=whole, sub=sub, used=used), fits


def _draw_whole(problem: Problem, n_starts: int, rng: np.random.Generator) -> IntArray:
    """Draw whole-plot levels: every other plan each as often, the rest by chance.

    Where rules tie settings to levels, a sweep can hardly change how often a
    level is used; so plans set out from many ways of sharing out the loads.
    """
    open_levels = np.flatnonzero(problem.candidates.allowed.any(axis=1))
    n_loads, n_levels = len(problem.whole), len(open_levels)
    drawn = np.empty((n_starts, n_loads), dtype=np.int64)
    for start in range(n_starts):
        if start % 2:
            shares = rng.dirichlet(np.full(n_levels, _UNEVEN))
            drawn[start] = rng.choice(open_levels, size=n_loads, p=shares)
        else:
            turns = -(-n_loads // n_levels)
            even = [rng.permutation(open_levels) for _ in range(turns)]
            drawn[start] = np.concatenate(even)[:n_loads]
    return np.where(problem.whole == FREE, drawn, problem.whole)
