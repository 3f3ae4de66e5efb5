"""Determinants that the optimal search reaches, against the best known."""

from __future__ import annotations

import time
from itertools import combinations, product

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from plain_search import free_problem, without_limits

from firelab.plan.optimal.choose import n_starts_for
from firelab.plan.optimal.problem import Candidates, Criterion
from firelab.plan.optimal.search import search_design

SEEDS = range(20)
QUADRATIC = dict(
    zip(range(6, 14), (256, 960, 2304, 5184, 9360, 16896, 30320, 54400), strict=True)
)
"""Two factors, full quadratic, 3-level grid: largest det(X'X), by exhaustive search."""
PLUS_MINUS = dict(
    zip(
        range(5, 13),
        (48, 160, 576, 4096, 14336, 73728, 327680, 2985984),
        strict=True,
    )
)
"""Largest determinants of n x n matrices of +-1 (OEIS A003433)."""
SHAKEN_VALUE = {"D": 35.59757, "I": 0.14858}
"""Largest values for three factors within 8 loads of 4, by D reached by 17 of 20 runs of an
iterated local search of ten times the time: of each of 48 plans a load and up to six rows
drawn anew and improved, 24 rounds."""
SPLIT_PLOT = {(6, 2): 723.75309, (4, 3): 396.0}
"""One whole-plot and one sub-plot factor, quadratic, variance ratio 1."""


def _quadratic(points: NDArray[np.float64]) -> NDArray[np.float64]:
    a, b = np.asarray(points, dtype=float).T
    return np.column_stack([np.ones(len(a)), a, b, a * b, a * a, b * b])


def _reached(
    name: str, candidates: Candidates, plot: NDArray[np.int64], best: float, **how: float
) -> dict[str, object]:
    """Search from twenty seeds; `root` takes the determinant of X from that of X'X."""
    root = how.pop("root", 1.0)
    started = time.process_time()
    values = []
    for seed in SEEDS:
        found = search_design(
            free_problem(candidates, plot, **how),  # type: ignore[arg-type]
            n_starts=100,
            rng=np.random.default_rng(seed),
        )
        values.append(float(np.exp(found.value * root)) if found else 0.0)
    seconds = (time.process_time() - started) / len(SEEDS)
    return {
        "problem": name,
        "best_known": best,
        "best_found": round(max(values), 5),
        "seeds_reaching_it": int(sum(v > best * (1 - 1e-6) for v in values)),
        "seconds": seconds,
    }


def determinants() -> pd.DataFrame:
    """Return, per problem, how many of twenty seeds reach the best determinant."""
    grid = np.array(list(product((-1, 0, 1), repeat=2)))
    lines = [
        _reached(
            f"quadratic, n = {n}",
            without_limits(_quadratic(grid)[None], grid + 1),
            np.arange(n),
            best,
        )
        for n, best in QUADRATIC.items()
    ]
    for n, best in PLUS_MINUS.items():
        signs = np.array(list(product((-1, 1), repeat=n - 1)))
        rows = np.column_stack([np.ones(len(signs)), signs])[None]
        candidates = without_limits(rows, (signs + 1) // 2)
        name = f"+-1, n = {n}"
        lines.append(_reached(name, candidates, np.arange(n), best, root=0.5))
    levels = (-1, 0, 1)
    rows = np.array([_quadratic(np.array([(w, s) for s in levels])) for w in levels])
    for (n_loads, size), best in SPLIT_PLOT.items():
        candidates = without_limits(rows, np.arange(3)[:, None])
        plot = np.repeat(np.arange(n_loads), size)
        name = f"split-plot, {n_loads} loads of {size}"
        lines.append(_reached(name, candidates, plot, best, eta=1.0))
    return pd.DataFrame(lines)


def split_plot_seeds() -> pd.DataFrame:
    """Return twenty seeds of a split-plot search with three factors within 8 loads of 4.

    Temperature and the three each have three levels; a full quadratic; variance ratio 1.
    `short` is what a seed's plan lacks of the best found, in % of the efficiency, and
    `said` what the search said of itself. The best found by D is that of 48 plans shaken
    over and over; by I, of five such runs.
    """
    levels, plot = (-1.0, 0.0, 1.0), np.repeat(np.arange(8), 4)
    within = np.array(list(product(levels, repeat=3)))
    rows = np.array(
        [_full_quadratic(np.column_stack([np.full(27, w), within])) for w in levels]
    )
    candidates = without_limits(rows, (within + 1).astype(np.int64))
    lines = []
    criteria: tuple[Criterion, ...] = ("D", "I")
    for criterion in criteria:
        problem = free_problem(candidates, plot, eta=1.0, criterion=criterion)
        for seed in SEEDS:
            rng = np.random.default_rng(seed)
            found = search_design(problem, n_starts=n_starts_for(len(plot)), rng=rng)
            if found is not None:
                lines.append((criterion, seed, found.value, 100 * found.behind))
    table = pd.DataFrame(lines, columns=["criterion", "seed", "value", "said"])
    best = table.groupby("criterion")["value"].transform("max")
    best = np.maximum(best, table["criterion"].map(SHAKEN_VALUE))
    power = np.where(table["criterion"] == "D", rows.shape[2], 1)
    table["short"] = -100 * np.expm1((table["value"] - best) / power)
    return table.round({"value": 5, "said": 2, "short": 2})


def _full_quadratic(points: NDArray[np.float64]) -> NDArray[np.float64]:
    products = [a * b for a, b in combinations(points.T, 2)]
    return np.column_stack([np.ones(len(points)), points, *products, points**2])
