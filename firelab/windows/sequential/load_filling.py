"""One load filled, place by place, with what leaves least variance of the edges."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix
from firelab.windows.recipe.firing_odds import (
    candidate_temperatures,
    candidate_tiles,
)
from firelab.windows.sequential.affordable import (
    LoadHours,
    RemainingBudget,
    tile_grams,
)
from firelab.windows.sequential.fire_on import FiredTiles
from firelab.windows.sequential.next_choice import NEXT_COLUMNS
from firelab.windows.sequential.outcome_tree import Outcomes, grade_probabilities

_COARSE = 3
"""Every third candidate temperature is tried, then those beside the best (chosen here,
no source: the gain has one or two broad peaks)."""
_ROW = [name for name in NEXT_COLUMNS if name != "load"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookAhead:
    """What a look-ahead needs, all of it fixed while loads are chosen.

    Attributes
    ----------
    series : FiringSeries
    terms : tuple of str
    draws : StageDraws
        S draws.
    edges : ndarray, shape (S, E)
    places : int
        Of a load.
    most_new : int
        New tiles of a load, at most.
    load_hours : LoadHours
    """

    series: FiringSeries
    terms: tuple[str, ...]
    draws: StageDraws
    edges: FloatArray
    places: int
    most_new: int
    load_hours: LoadHours


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CandidateLoad:
    """A candidate load: one temperature, its places filled.

    Attributes
    ----------
    tiles : DataFrame
        Columns `NEXT_COLUMNS` without ``load``.
    outcomes : Outcomes
    budget : RemainingBudget
        What is left.
    hours : float
    gain_per_hour : float
        Expected variance of the edges that it takes away, degC^2 per hour.
    """

    tiles: pd.DataFrame
    outcomes: Outcomes
    budget: RemainingBudget
    hours: float
    gain_per_hour: float


def best_load(
    look_ahead: LookAhead, outcomes: Outcomes, budget: RemainingBudget, fired: FiredTiles
) -> CandidateLoad | None:
    """Search the temperatures coarsely, then finely about the best."""
    temperatures = candidate_temperatures(look_ahead.series)
    tried: dict[int, CandidateLoad | None] = {}

    def best_of(places: Iterable[int]) -> int | None:
        for place in places:
            if place not in tried:
                tried[place] = _fill_load(
                    look_ahead, outcomes, budget, fired, temperatures[place]
                )
        found = [(one.gain_per_hour, place) for place, one in tried.items() if one]
        return max(found)[1] if found else None

    best = best_of(range(0, len(temperatures), _COARSE))
    if best is None:
        best = best_of(range(len(temperatures)))
    if best is None:
        return None
    near = range(max(0, best - _COARSE + 1), min(len(temperatures), best + _COARSE))
    finest = best_of(near)
    return tried[best if finest is None else finest]


def _fill_load(
    look_ahead: LookAhead,
    outcomes: Outcomes,
    budget: RemainingBudget,
    fired: FiredTiles,
    degC: float,
) -> CandidateLoad | None:
    """Fill one load at a temperature; None where nothing can be fired there.

    Places stay empty where the kiln hours that are left do not reach for more.
    """
    options, chances = _options(look_ahead, budget, fired, degC)
    start = left = outcomes.variance(look_ahead.edges).sum()
    taken: list[int] = []
    tiles, hours = options.iloc[:0], 0.0
    for _ in range(look_ahead.places):
        can = _still_open(look_ahead, budget, options, taken)
        if not len(can):
            break
        each = outcomes.variance_with_each(chances[:, can], look_ahead.edges).sum(axis=1)
        place = int(can[int(each.argmin())])
        fuller = options.iloc[[*taken, place]]
        needed = look_ahead.load_hours(fuller)
        if budget.hours is not None and needed > budget.hours:
            break
        tiles, hours, left = fuller, needed, each.min()
        outcomes = outcomes.with_tile(chances[:, place])
        one = options.iloc[place]
        if not one["tile"]:
            budget = budget.without_tile(int(one["mesh"]), float(one["grams"]))
        taken.append(place)
    if not taken:
        return None
    kept = tiles.sort_values(["dwell_s", "mesh", "layers", "base", "tile"])
    return CandidateLoad(
        tiles=kept[_ROW],
        outcomes=outcomes,
        budget=budget.without_load(hours),
        hours=hours,
        gain_per_hour=float((start - left) / hours),
    )


def _options(
    look_ahead: LookAhead, budget: RemainingBudget, fired: FiredTiles, degC: float
) -> tuple[pd.DataFrame, FloatArray]:
    """Return what a place could hold, n of them, and the chances of its grades."""
    new = candidate_tiles(look_ahead.series, degC).assign(tile="")
    grams = tile_grams(look_ahead.series, new)
    new["grams"] = grams
    if not budget.affords(new["mesh"].to_numpy(dtype=np.int64), grams).any():
        new = new.iloc[:0]
    on = fired.firings_at(degC)
    chances = [
        grade_probabilities(
            look_ahead.draws, model_matrix(look_ahead.series, new, look_ahead.terms)
        ),
        fired.chances(on),
    ]
    # In the load's table a tile fired on stands with that firing's own dwell.
    on = on.assign(dwell_s=on["own_dwell_s"], grams=0.0)[new.columns]
    return pd.concat([new, on], ignore_index=True), np.concatenate(chances, axis=1)


def _still_open(
    look_ahead: LookAhead, budget: RemainingBudget, options: pd.DataFrame, taken: list[int]
) -> IntArray:
    """Return which options a further place could still hold."""
    tile = options["tile"].to_numpy(dtype=str)
    is_new = tile == ""
    can = ~is_new & ~np.isin(tile, tile[taken])
    if is_new[taken].sum() < look_ahead.most_new:
        grams = options["grams"].to_numpy(dtype=float)
        can |= is_new & budget.affords(options["mesh"].to_numpy(dtype=np.int64), grams)
    return np.flatnonzero(can)
