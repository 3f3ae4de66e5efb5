"""A search for an optimal plan as values: candidates, problem, random starts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from firelab.arrays import BoolArray, FloatArray, IntArray

_ALL_AT_ONCE = 64
"""Up to so many settings an exchange may reach all of them (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Model rows of every setting, by whole-plot level and sub-plot setting.

    Attributes
    ----------
    rows : ndarray, shape (W, S, p)
        Model columns, the intercept among them, of sub-plot setting s at
        whole-plot level w.
    allowed : ndarray of bool, shape (W, S)
        False where a rule forbids the setting.
    codes : ndarray of int, shape (S, k)
        Level numbers of the k sub-plot factors.
    use : ndarray, shape (S, R)
        What one tile of a sub-plot setting takes of each limited resource.
    limits : ndarray, shape (R,)
        How much there is of each.
    """

    rows: FloatArray
    allowed: BoolArray
    codes: IntArray
    use: FloatArray
    limits: FloatArray

    @property
    def n_terms(self) -> int:
        """Number of model columns, p."""
        return int(self.rows.shape[2])

    def neighbours(self) -> IntArray:
        """Return the settings that one exchange may reach, shape (S, K).

        Those that differ in one coordinate; all of them where they are few.
        Rows are filled up with the setting itself.
        """
        n = len(self.codes)
        if n <= _ALL_AT_ONCE:
            return np.tile(np.arange(n), (n, 1))
        differ = (self.codes[:, None, :] != self.codes[None, :, :]).sum(axis=2)
        near = [np.flatnonzero(row <= 1) for row in differ]
        width = max(len(one) for one in near)
        filled = [np.pad(one, (0, width - len(one)), mode="edge") for one in near]
        return np.array(filled, dtype=np.int64)

    def moments(self) -> FloatArray:
        """Return the mean of f f' over every allowed setting, shape (p, p)."""
        region = self.rows[self.allowed]
        return np.asarray(region.T @ region / len(region), dtype=float)


Criterion = Literal["D", "I"]
FREE = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """What is sought: n rows in L loads, best by a criterion.

    Attributes
    ----------
    candidates : Candidates
        What may be chosen.
    plot : ndarray of int, shape (n,)
        Load of each row, 0 to L - 1.
    eta : float
        Variance of loads over that within a load.
    criterion : {'D', 'I'}
        Largest determinant, or smallest mean prediction variance.
    whole : ndarray of int, shape (L,)
        Whole-plot level of each load, `FREE` where it is sought.
    sub : ndarray of int, shape (n,)
        Sub-plot setting of each row, `FREE` where it is sought.
    standing : ndarray, shape (p, p)
        Information of what is fired or planned already.
    """

    candidates: Candidates
    plot: IntArray
    eta: float
    criterion: Criterion
    whole: IntArray
    sub: IntArray
    standing: FloatArray

    @property
    def sizes(self) -> IntArray:
        """Rows of each load, shape (L,)."""
        return np.bincount(self.plot, minlength=len(self.whole))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """The best plan of a search.

    Attributes
    ----------
    whole : ndarray of int, shape (L,)
    sub : ndarray of int, shape (n,)
    value : float
        ln det for D, minus ln of the mean prediction variance for I.
    behind : float
        Share of the efficiency by which the last of several searches, each from starts of
        its own, stays behind this plan: by how much two seeds may differ.
    """

    whole: IntArray
    sub: IntArray
    value: float
    behind: float


_TRIES = 6
_SPARING = 3.0
"""Rounds of drawing, each sparing scarce powder so much more (chosen here, no source)."""
_UNEVEN = 0.7
"""Concentration of the Dirichlet draw of shares; below 1 is uneven (chosen here, no
source)."""


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

    def pick(self, which: BoolArray | IntArray) -> Starts:
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
) -> tuple[Starts, BoolArray]:
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
