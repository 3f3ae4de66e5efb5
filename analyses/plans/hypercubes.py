"""Smallest distances of Latin hypercubes: firelab, pyDOE3, scipy."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pandas as pd
import pyDOE3
from scipy.spatial.distance import pdist
from scipy.stats import qmc

from firelab.plan.kinds.maximin import maximin_columns

SEEDS = range(20)
BEST = dict(
    zip(
        range(5, 21),
        (5, 5, 8, 8, 10, 10, 10, 13, 13, 17, 17, 17, 18, 18, 18, 18),
        strict=True,
    )
)
"""Two factors: largest possible squared smallest distance on ranks, by search."""


def _smallest(points: np.ndarray) -> float:
    return float(pdist(points, "sqeuclidean").min())


def _ours(n: int, k: int, seed: int) -> float:
    columns = np.tile(np.arange(n, dtype=float)[:, None], (1, k))
    return _smallest(maximin_columns(columns, rng=np.random.default_rng(seed)))


def _pydoe3(n: int, k: int, seed: int, tries: int = 1000) -> float:
    unit = pyDOE3.lhs(
        k,
        samples=n,
        criterion="maximin",
        iterations=tries,
        seed=np.random.default_rng(seed),
    )
    return _smallest(np.floor(unit * n))


def _scipy(n: int, k: int, seed: int) -> float:
    sampler = qmc.LatinHypercube(
        k, scramble=False, optimization="random-cd", rng=np.random.default_rng(seed)
    )
    return _smallest(np.floor(sampler.random(n) * n))


def shares_of_best() -> pd.DataFrame:
    """Return the mean share of the best distance in two factors, over twenty seeds."""
    lines = []
    for n, best in BEST.items():
        line: dict[str, float] = {"n": n, "best_squared": best}
        for name, one in (("firelab", _ours), ("pyDOE3", _pydoe3), ("scipy", _scipy)):
            shares = [np.sqrt(one(n, 2, seed) / best) for seed in SEEDS]
            line[name] = round(float(np.mean(shares)), 4)
            line[f"{name}_reached"] = int(sum(share > 1 - 1e-9 for share in shares))
        lines.append(line)
    return pd.DataFrame(lines)


def _until(one: Callable[[int], float], seconds: float) -> float:
    """Return the best of as many tries, each from its own seed, as the time allows."""
    started, best, seed = time.process_time(), 0.0, 0
    while time.process_time() - started < seconds or seed == 0:
        best = max(best, one(seed))
        seed += 1
    return best


def equal_time() -> pd.DataFrame:
    """Return smallest distances in five factors, each method given the same time."""
    lines = []
    for n in (24, 48):
        for seed in range(5):
            started = time.process_time()
            ours = _ours(n, 5, seed)
            seconds = time.process_time() - started
            start = 1000 * seed
            others = {
                "pyDOE3": _until(
                    lambda s, n=n, o=start: _pydoe3(n, 5, s + o, 200), seconds
                ),
                "scipy": _until(lambda s, n=n, o=start: _scipy(n, 5, s + o), seconds),
            }
            lines.append(
                {"n": n, "seed": seed, "seconds": seconds, "firelab": ours, **others}
            )
    frame = pd.DataFrame(lines)
    for name in ("firelab", "pyDOE3", "scipy"):
        frame[name] = np.sqrt(frame[name]).round(3)
    return frame
