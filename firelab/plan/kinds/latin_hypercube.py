"""Tiles spread evenly over ranges, each value of a factor used once."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.errors import FirelabError
from firelab.plan.kiln_steps import settable_dwell, settable_temperature
from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.pydoe import latin_hypercube
from firelab.plan.settings_frame import as_settings, is_allowed
from firelab.series.factors import COLUMN_OF, FACTORS, FactorName
from firelab.series.firing_series import FiringSeries

DEFAULT_TILES = 12
_TRIES = 200
_TEMPERATURES_WITHOUT_BUDGET = 6


def n_load_temperatures(series: FiringSeries, n: int) -> int:
    """Return how many temperatures `n` tiles are grouped to: one per load.

    As many as the budget has loads; where it names none, as many as the places
    need and at least six.
    """
    needed = math.ceil(n / series.budget.places)
    loads = series.budget.loads or max(needed, _TEMPERATURES_WITHOUT_BUDGET)
    return min(n, max(loads, needed))


def spread(
    series: FiringSeries, name: FactorName, ranks: NDArray[np.int64]
) -> list[float | int | str]:
    """Return the values of one factor at Latin ranks 0 to n - 1.

    Stated levels are used equally often; a range is divided evenly, ends
    included, in degC or in ln s; values are such as a person can set.
    """
    n = len(ranks)
    if not series.factors.is_range(name):
        levels = series.factors.levels(name)
        return [levels[int(rank) * len(levels) // n] for rank in ranks]
    low, high = series.span(name)
    if name == "temperature":
        groups = n_load_temperatures(series, n)
        share = (ranks * groups // n) / max(groups - 1, 1)
        return [settable_temperature(series, t) for t in low + share * (high - low)]
    share = ranks / max(n - 1, 1)
    return [settable_dwell(series, d) for d in low * (high / low) ** share]


def _settings(series: FiringSeries, ranks: NDArray[np.int64]) -> pd.DataFrame:
    columns = {}
    for name in FACTORS:
        if name in series.varied:
            column = ranks[:, series.varied.index(name)]
            columns[COLUMN_OF[name]] = spread(series, name, column)
        else:
            columns[COLUMN_OF[name]] = [series.factors.levels(name)[0]] * len(ranks)
    return as_settings(pd.DataFrame(columns))


def propose_latin_hypercube(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return a Latin hypercube of `n_tiles` tiles (12 where none is named)."""
    n = n_tiles or DEFAULT_TILES
    for _ in range(_TRIES):
        ranks = latin_hypercube(n, len(series.varied), rng=rng)
        settings = _settings(series, ranks)
        if is_allowed(series, settings).all():
            return Proposal(settings=settings)
    raise FirelabError(
        f"no Latin hypercube of {n} tiles was found that the rules allow",
        "series.toml rules",
        "loosen a rule, narrow the ranges, or choose another kind of plan",
    )


LATIN_HYPERCUBE = PlanKind(
    name="latin-hypercube",
    description="tiles spread evenly over ranges, each value once",
    propose=propose_latin_hypercube,
)
