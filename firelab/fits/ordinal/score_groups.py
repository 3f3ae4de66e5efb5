"""Which looks share which score of the random effects, as sparse matrices.

A look belongs to at most one group of each effect, so of the looks by scores only as many
entries are not zero as there are effects, and two scores share an entry of the precision
only where they share a look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.sparse import csr_array

from firelab.arrays import IntArray
from firelab.fits.sampling.sparse_root import RootPattern, root_pattern

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
        pattern=pattern,
        shared=_ones(entries, np.concatenate(at_look), (pattern.n_entries, n)),
        finest=finest,
        by_finest=csr_array(members[:, finest].T),
        without_finest=np.flatnonzero(labels[at] < 0),
    )


def _ones(rows: IntArray, columns: IntArray, shape: tuple[int, int]) -> Any:
    return csr_array((np.ones(rows.size), (rows, columns)), shape=shape)
