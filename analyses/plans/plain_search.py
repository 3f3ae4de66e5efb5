"""Searches without a series, and the strength of a design: for the study and the tests."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.plan.optimal.problem import FREE, Candidates, Criterion, Problem


def without_limits(
    rows: FloatArray, codes: IntArray, allowed: BoolArray | None = None
) -> Candidates:
    """Return candidates, rows (W, S, p) and codes (S, k), that no resource limits."""
    if allowed is None:
        allowed = np.ones(rows.shape[:2], dtype=bool)
    none = np.zeros((rows.shape[1], 0))
    return Candidates(rows=rows, allowed=allowed, codes=codes, use=none, limits=np.zeros(0))


def free_problem(
    candidates: Candidates,
    plot: IntArray,
    *,
    eta: float = 0.0,
    criterion: Criterion = "D",
) -> Problem:
    """Return a problem in which every load and row is sought, `plot` the load of each."""
    p = candidates.n_terms
    return Problem(
        candidates=candidates,
        plot=plot,
        eta=eta,
        criterion=criterion,
        whole=np.full(int(plot.max()) + 1, FREE),
        sub=np.full(len(plot), FREE),
        standing=np.zeros((p, p)),
    )


def strength_of(design: IntArray) -> int:
    """Return the largest number of columns any of which form a full factorial.

    One less than the resolution; for a design of -1 and +1.
    """
    k = int(design.shape[1])
    for size in range(1, k + 1):
        for columns in combinations(range(k), size):
            if design[:, list(columns)].prod(axis=1).sum() != 0:
                return size - 1
    return k
