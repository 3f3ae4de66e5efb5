"""Cholesky roots of many precision matrices of one sparse pattern.

Random effects that cross share an entry of their precision only where they share a look,
so of a thousand tiles in some hundred loads nearly every entry is zero. The order in
which the effects are eliminated decides how many of them fill up; the one taken here
eliminates next whatever has the fewest neighbours left (minimum degree, George and Liu
1989). Which entries there are is worked out once; their values are those of all M
matrices at once.

A look belongs to at most one group of each effect, so of the looks by scores only as many
entries are not zero as there are effects, and two scores share an entry of the precision
only where they share a look.

References
----------
George, A. & Liu, J. W. H. (1989). The evolution of the minimum degree ordering
algorithm. *SIAM Review*, 31(1), 1-19.
Davis, T. A. (2006). *Direct Methods for Sparse Linear Systems*. SIAM.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Any

import numpy as np
from scipy.sparse import csr_array

from firelab.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RootPattern:
    """Which entries the roots have, found by eliminating one coordinate after another.

    Attributes
    ----------
    order : ndarray of int, shape (d,)
        Coordinates as they are eliminated.
    rows, columns : ndarray of int, shape (z,)
        Coordinates of each entry; an entry of the diagonal first, by `order`.
    below : tuple of ndarray of int
        By column of `order`: the entries below its diagonal.
    updated : tuple of ndarray of int
        By column: the entries that its pairs of entries below change, pair by pair.
    """

    order: IntArray
    rows: IntArray
    columns: IntArray
    below: tuple[IntArray, ...]
    updated: tuple[IntArray, ...]

    @property
    def dense_from(self) -> int:
        """Place in `order` from which every coordinate left shares an entry with all."""
        d = self.order.size
        full = [below.size == d - 1 - place for place, below in enumerate(self.below)]
        return d - full[::-1].index(False) if False in full else 0

    @property
    def n_entries(self) -> int:
        """Number of entries, z."""
        return int(self.rows.size)

    def entry_of(self, first: IntArray, second: IntArray) -> IntArray:
        """Return the entry that each pair of coordinates is held in."""
        rank = np.argsort(self.order)
        early = np.where(rank[first] <= rank[second], first, second)
        late = np.where(rank[first] <= rank[second], second, first)
        key = self.columns * self.order.size + self.rows
        by_key = np.argsort(key)
        wanted = early * self.order.size + late
        return np.asarray(by_key[np.searchsorted(key[by_key], wanted)])


def root_pattern(
    size: int, pairs: IntArray, *, first: IntArray | None = None, reorder: bool = True
) -> RootPattern:
    """Eliminate symbolically.

    Parameters
    ----------
    size : int
        Number of coordinates, d.
    pairs : ndarray of int, shape (m, 2)
        Coordinates that share an entry off the diagonal.
    first : ndarray of int, optional
        Coordinates that are eliminated before all others.
    reorder : bool, default True
        Whether the fewest neighbours go first; else coordinates go as they are numbered.

    Examples
    --------
    >>> arrow = root_pattern(4, np.array([[0, 1], [0, 2], [0, 3]]))
    >>> arrow.order, arrow.n_entries
    (array([1, 2, 0, 3]), 7)
    """
    near: list[set[int]] = [set() for _ in range(size)]
    for one, other in pairs.tolist():
        if one != other:
            near[one].add(other)
            near[other].add(one)
    left = set(range(size))
    early = set() if first is None else set(first.tolist())
    order, found = [], []
    while left:
        choice = early or left
        chosen = min(choice, key=lambda j: (len(near[j]) if reorder else 0, j))
        ring = sorted(near[chosen])
        for one in ring:
            near[one].update(ring)
            near[one] -= {one, chosen}
        left.discard(chosen)
        early.discard(chosen)
        order.append(chosen)
        found.append(ring)
    return _numbered(order, found)


def _numbered(order: list[int], found: list[list[int]]) -> RootPattern:
    """Return the pattern, the diagonal numbered first and then column by column."""
    rank = {chosen: place for place, chosen in enumerate(order)}
    rows, columns, number = list(order), list(order), {}
    for chosen, ring in zip(order, found, strict=True):
        for row in sorted(ring, key=rank.__getitem__):
            number[chosen, row] = len(rows)
            rows.append(row)
            columns.append(chosen)
    below, updated = [], []
    for chosen, ring in zip(order, found, strict=True):
        late = sorted(ring, key=rank.__getitem__)
        below.append(np.array([number[chosen, row] for row in late], dtype=np.int64))
        changed = [
            rank[one] if one == other else number[one, other]
            for place, one in enumerate(late)
            for other in late[place:]
        ]
        updated.append(np.array(changed, dtype=np.int64))
    return RootPattern(
        order=np.array(order, dtype=np.int64),
        rows=np.array(rows, dtype=np.int64),
        columns=np.array(columns, dtype=np.int64),
        below=tuple(below),
        updated=tuple(updated),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Roots:
    """Lower Cholesky factors L of M precision matrices, in the pattern's order.

    Attributes
    ----------
    pattern : RootPattern
    entries : ndarray, shape (z, M)
    """

    pattern: RootPattern
    entries: FloatArray

    @property
    def log_diagonal(self) -> FloatArray:
        """Log of the diagonal by coordinate, (d, M): half the log determinant, added up."""
        d = self.pattern.order.size
        logs = np.empty((d, self.entries.shape[1]))
        logs[self.pattern.order] = np.log(self.entries[:d])
        return logs

    def solve(self, right: FloatArray) -> FloatArray:
        """Return x of ``L L' x = right``, (d, M) each."""
        x, rows = np.array(right, dtype=float), self.pattern.rows
        for place, j in enumerate(self.pattern.order):
            below = self.pattern.below[place]
            x[j] /= self.entries[place]
            if below.size:
                x[rows[below]] -= self.entries[below] * x[j]
        return self.turn(x)

    def turn(self, normal: FloatArray) -> FloatArray:
        """Return x of ``L' x = normal``, (d, M) each: of standard normals, draws."""
        x, rows = np.array(normal, dtype=float), self.pattern.rows
        for place in range(x.shape[0] - 1, -1, -1):
            below, j = self.pattern.below[place], self.pattern.order[place]
            if below.size:
                x[j] -= (self.entries[below] * x[rows[below]]).sum(axis=0)
            x[j] /= self.entries[place]
        return x

    @staticmethod
    def of(pattern: RootPattern, precision: FloatArray) -> Roots:
        """Factorise M matrices given by their entries, shape (z, M).

        Each is a prior's identity and what looks add to it, so that no pivot is below
        one: what rounding leaves of one among very large entries is mended so.
        """
        values, dense_from = np.array(precision, dtype=float), pattern.dense_from
        for place, below in enumerate(pattern.below):
            if place == dense_from and _factorise_rest(pattern, values):
                break
            pivot = values[place]
            np.sqrt(np.maximum(pivot, 1.0), out=pivot)
            if not below.size:
                continue
            column = values[below] / pivot
            values[below] = column
            one, other = _pairs(below.size)
            values[pattern.updated[place]] -= column[one] * column[other]
        return Roots(pattern=pattern, entries=values)


def _factorise_rest(pattern: RootPattern, values: FloatArray) -> bool:
    """Factorise what is left, all filled, as dense matrices; False if one is singular.

    That is most of the work where many effects cross, and M small matrices are quickest.
    """
    first, d = pattern.dense_from, pattern.order.size
    low, high = np.triu_indices(d - first)
    entries = np.empty(low.size, dtype=np.int64)
    entries[low == high] = np.arange(first, d)
    entries[low != high] = np.concatenate(pattern.below[first:])
    filled = np.zeros((values.shape[1], d - first, d - first))
    filled[:, high, low] = values[entries].T
    try:
        roots = np.linalg.cholesky(filled)
    except np.linalg.LinAlgError:
        return False
    values[entries] = roots[:, high, low].T
    return True


@lru_cache(maxsize=512)
def _pairs(size: int) -> tuple[IntArray, IntArray]:
    """Return the pairs of so many entries, each with itself and with all behind it."""
    return np.triu_indices(size)


_FEW_SCORES = 64
"""Up to so many scores the order of elimination gains nothing, and they are drawn together;
of more, the finest effect is drawn group by group (chosen here: drawn together, 100 tiles
looked at twice were worth 250 independent draws of 2,000, one by one 1,400)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoreGroups:
    """Looks, n of them, by scores, d of them.

    Attributes
    ----------
    effect_of : ndarray of int, shape (d,)
        Which effect each score belongs to.
    members : csr_array, shape (n, d)
        One where a look has a score, else zero.
    by_score : csr_array, shape (d, n)
        The same turned: a density sums by score thousands of times.
    pattern : RootPattern
        Of the precision of the scores, z entries.
    shared : csr_array, shape (z, n)
        One where a look adds to an entry of the precision.
    finest : ndarray of int, shape (a,)
        Scores of the effect with most groups, where they are drawn group by group.
    by_finest : csr_array, shape (a, n)
        Which looks each of them has.
    without_finest : ndarray of int
        Looks that have none of them.
    """

    effect_of: IntArray
    members: Any
    by_score: Any
    pattern: RootPattern
    shared: Any
    finest: IntArray
    by_finest: Any
    without_finest: IntArray


def group_scores(labels: Sequence[IntArray]) -> ScoreGroups:
    """Return the groups of each effect's labels, n each, numbered from 0; -1 is none."""
    sizes = [int(label.max(initial=-1)) + 1 for label in labels]
    bounds = np.cumsum([0, *sizes])
    d, n = int(bounds[-1]), labels[0].size
    score = np.array(
        [np.where(label >= 0, label + bounds[at], -1) for at, label in enumerate(labels)]
    )
    looks, of_look = np.nonzero(score.T >= 0)[0], score.T[score.T >= 0]
    members = _ones(looks, of_look, (n, d))
    pairs, at_look = [np.stack([of_look, of_look], axis=1)], [looks]
    for one, other in combinations(score, 2):
        both = np.flatnonzero((one >= 0) & (other >= 0))
        pairs.append(np.stack([one[both], other[both]], axis=1))
        at_look.append(both)
    paired = np.vstack(pairs)
    many = d > _FEW_SCORES
    at = int(np.argmax(sizes))
    finest = np.arange(bounds[at], bounds[at + 1]) if many else np.empty(0, dtype=np.int64)
    pattern = root_pattern(
        d, np.unique(paired, axis=0), first=finest if many else None, reorder=many
    )
    entries = pattern.entry_of(paired[:, 0], paired[:, 1])
    return ScoreGroups(
        effect_of=np.repeat(np.arange(len(sizes)), sizes),
        members=members,
        by_score=csr_array(members.T),
        pattern=pattern,
        shared=_ones(entries, np.concatenate(at_look), (pattern.n_entries, n)),
        finest=finest,
        by_finest=csr_array(members[:, finest].T),
        without_finest=np.flatnonzero(labels[at] < 0),
    )


def _ones(rows: IntArray, columns: IntArray, shape: tuple[int, int]) -> Any:
    return csr_array((np.ones(rows.size), (rows, columns)), shape=shape)
