"""One load filled, place by place, with what leaves least variance of the edges.

Within what is left: powder, blanks, loads, hours.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.errors import UsageError
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.plan.extend import has_room
from firelab.plan.plan import Plan
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import coat_grams, plan_preparation, powder_left
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import model_matrix
from firelab.windows.firing_odds import (
    candidate_temperatures,
    candidate_tiles,
)
from firelab.windows.sequential.fire_on import FiredTiles
from firelab.windows.sequential.next_choice import NEXT_COLUMNS
from firelab.windows.sequential.outcome_tree import Outcomes, grade_probabilities


def check_places(series: FiringSeries, places: int) -> None:
    """Refuse a load of more tiles than the kiln has places."""
    holds = series.budget.places
    if places > holds:
        raise UsageError(
            f"a load of {places} tiles, and the kiln has {holds} places",
            "series.toml budget.places",
            f"ask for {holds} at most, or correct budget.places",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RemainingBudget:
    """What is left of the budget.

    Attributes
    ----------
    blanks, loads : int or None
        None where the budget does not bind.
    grams : dict of int to float
        By budgeted mesh.
    hours : float or None
    """

    blanks: int | None
    loads: int | None
    grams: dict[int, float]
    hours: float | None

    def affords(self, mesh: IntArray, grams: FloatArray) -> BoolArray:
        """Tell of n settings which one more tile could be made, shape (n,)."""
        left = np.array([self.grams.get(int(one), np.inf) for one in mesh])
        return np.asarray(left >= grams) & (self.blanks is None or self.blanks > 0)

    def without_tile(self, mesh: int, grams: float) -> RemainingBudget:
        """Return what is left once a tile is taken."""
        left = dict(self.grams)
        if mesh in left:
            left[mesh] -= grams
        return replace(self, grams=left, blanks=self.blanks and self.blanks - 1)

    def without_load(self, hours: float) -> RemainingBudget:
        """Return what is left once a load is taken."""
        return replace(
            self,
            loads=self.loads and self.loads - 1,
            hours=None if self.hours is None else self.hours - hours,
        )

    def spent_on(self, *, can_fire_on: bool) -> str:
        """Say what is used up; empty where a load is still affordable.

        Parameters
        ----------
        can_fire_on : bool
            Whether there are tiles to fire on, which need no blank.
        """
        stock = {"blanks": self.blanks, "loads": self.loads, "kiln hours": self.hours}
        spent = [name for name, left in stock.items() if left is not None and left <= 0]
        if not spent or (can_fire_on and spent == ["blanks"]):
            return ""
        keys = {"kiln hours": "hours"}
        lines = " and ".join(keys.get(name, name) for name in spent)
        return (
            f"all {' and '.join(spent)} of the budget are planned; to go on, raise {lines} "
            "under [budget] in series.toml"
        )


def remaining_budget(series: FiringSeries, plan: Plan) -> RemainingBudget:
    """Return what the budget of a series leaves after its plan."""
    budget = series.budget
    n_loads = int(plan.tiles["load"].nunique())
    return RemainingBudget(
        blanks=None if budget.blanks is None else budget.blanks - plan.n_tiles,
        loads=None if budget.loads is None else budget.loads - n_loads,
        grams=dict(powder_left(series, plan)),
        hours=None if budget.hours is None else budget.hours - plan.time_h["total"],
    )


def tile_grams(series: FiringSeries, tiles: pd.DataFrame) -> FloatArray:
    """Return the powder of each tile, g, loss included, shape (n,)."""
    return tiles["layers"].to_numpy(dtype=float) * coat_grams(series)


class LoadHours:
    """Hours that one load costs, its preparation included.

    Loads of the same coats, bases and longest dwell cost the same, so each is
    worked out once.

    Parameters
    ----------
    series : FiringSeries
        Its budget says what changes, recovery and cooling take.
    """

    def __init__(self, series: FiringSeries) -> None:
        self._series = series
        self._known: dict[tuple[object, ...], float] = {}

    def __call__(self, tiles: pd.DataFrame) -> float:
        """Return the hours of a load of tiles; those with a code are prepared already."""
        is_new = (tiles["tile"] == "").to_numpy()
        new = tiles[is_new]
        coats = sorted(zip(new["layers"], new["base"], strict=True))
        key = (float(tiles["dwell_s"].max()), *coats)
        if key not in self._known:
            fired = tiles.assign(
                tile=[str(k) for k in range(len(tiles))],
                session=1,
                load=1,
                order=1,
                role="test",
            )
            prepared = fired[is_new]
            steps = plan_preparation(self._series, prepared) if is_new.any() else ()
            self._known[key] = float(kiln_hours(self._series, fired, steps)["total"])
        return self._known[key]


_OWN_WORK_H = 1.0
"""What a tile is worth before it is fired, its blank, powder, cleaning and sifting, in
hours at the kiln (common practice, no source)."""


def tile_hours(
    series: FiringSeries, plan: Plan, tiles: pd.DataFrame, may_stay: BoolArray
) -> FloatArray:
    """Return what a next tile at each of n firings would cost, h, shape (n,).

    Its own work and preparation, its firing, and a change of temperature where it is not
    the one that the kiln is left at.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Its last load, where that session has room for another, left the kiln there.
    tiles : DataFrame, n rows
        As `candidate_tiles`.
    may_stay : ndarray of bool, shape (n,)
        Where a change that is saved counts.
    """
    hours, load_hours = np.empty(len(tiles)), LoadHours(series)
    for rows in tiles.groupby(["dwell_s", "layers", "base"]).indices.values():
        hours[rows] = _OWN_WORK_H + load_hours(tiles.iloc[rows[:1]].assign(tile=""))
    if len(plan.tiles) and has_room(series, plan.tiles, 1):
        left_at = float(plan.tiles.sort_values("order")["temperature_degC"].iloc[-1])
        there = [same_temperature(left_at, degC) for degC in tiles["temperature_degC"]]
        hours -= (np.array(there) & may_stay) * series.budget.change / 3600.0
    return hours


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
