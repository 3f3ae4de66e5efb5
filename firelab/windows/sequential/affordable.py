"""Which tiles could still be fired: settings, powder, blanks, loads, hours."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.plan.extend import has_room
from firelab.plan.plan import Plan
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import coat_grams, plan_preparation, powder_left
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries


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
