"""The next tile of a series whose tiles are chosen one at a time."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray
from firelab.craft.trade_words import count_words
from firelab.errors import UsageError
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import places_in_turn
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.windows.firing_odds import FiringOdds, firing_odds
from firelab.windows.sequential.load_filling import (
    RemainingBudget,
    check_places,
    remaining_budget,
    tile_grams,
    tile_hours,
)
from firelab.windows.sequential.next_choice import (
    BeliefCurve,
    Firing,
    NextFiring,
    tenths,
)

if TYPE_CHECKING:
    from firelab.fits.stage import StageFit


Criterion = Literal["knowledge gradient", "greedy"]
CRITERIA: tuple[Criterion, ...] = ("knowledge gradient", "greedy")
"""Where the next tile is fired: where its look is expected to raise the best odds most for
what it costs, or where it is now believed best. analyses/working_kiln lays them side by
side, and chose."""
MORE_TILES = 4
"""Tiles together whose gain decides whether to stop, a usual session of single tiles
(common practice, no source): what one of them adds may be too little to see."""
_SHORTLIST = 24
"""Firings that tell most by one look, among which that of several is foreseen (chosen
here, no source)."""
_EQUAL_SHARE = 0.05
"""Gains for their cost that are taken as equal, as a share of the largest; the likeliest
firing of them is taken. The criterion is flat and its draws are few (chosen here: in two
simulated kilns nothing within a quarter was told apart)."""
_NEARLY_LIKELIEST = 0.1
"""Odds short of the best within which a change of temperature saved counts: nobody fires a
tile again where sugar came out to spare the kiln a change (chosen here, no source)."""


def next_firing(
    records: Records,
    *,
    fit: StageFit | None = None,
    places: int = 1,
    criterion: Criterion = "knowledge gradient",
) -> NextFiring:
    """Choose the next tile from what was seen so far, and say what it would add.

    Parameters
    ----------
    records : Records
        Of one series and plan; there need be no look yet (see
        ``firelab.records.firing_log.read_so_far``).
    fit : StagePosterior, optional
        Of these records, where there is one; else they are fitted, which takes a quarter
        of a second for a dozen looks, with the draws that `fit_stage` would take.
    places : int, default 1
        Tiles of the next load, side by side at one firing; fewer where fewer blanks are
        left. What is told to be added is of one.
    criterion : {'knowledge gradient', 'greedy'}, default 'knowledge gradient'
        See `CRITERIA`.

    Raises
    ------
    UsageError
        If there is no such criterion, the fit has no draws, or the kiln has fewer places.
    RecordsInsufficient
        If no look carries a stage, and the plan is not of one tile at a time.
    """
    if criterion not in CRITERIA:
        raise UsageError(
            f"there is no criterion {criterion!r}", hint=f"one of {', '.join(CRITERIA)}"
        )
    if fit is not None and not isinstance(fit, StagePosterior):
        raise UsageError(
            "the next tile needs posterior draws, and this stage fit has none",
            hint="fit with method 'posterior'",
        )
    check_places(records.series, places)
    found = fit_posterior(records) if fit is None else fit
    series, plan = found.series, records.plan
    budget = remaining_budget(series, plan)
    odds = firing_odds(found)
    allowed, stop, stop_code = _affordable(series, budget, odds.table)
    best = odds.best() if len(odds.table) else None
    now = float(odds.now[best]) if best is not None else 0.0
    chosen, after, several = None, now, now
    left = MORE_TILES if budget.blanks is None else min(MORE_TILES, max(budget.blanks, 1))
    if allowed.any():
        nearly = odds.now >= now - _NEARLY_LIKELIEST
        hours = tile_hours(series, plan, odds.table, nearly)
        chosen, after, several = _choose(odds, allowed, criterion, hours, left)
    count = places if budget.blanks is None else min(places, max(budget.blanks, 1))
    least = series.window.least_gain
    if not stop and found.n_looks and several - now < least:
        stop_code = "no-gain"
        stop = (
            f"{count_words(left, 'more tile')} would add less than {_share(least)}; were "
            f"all known of this jar, the odds would be {tenths(odds.known)} of 10"
        )
    return NextFiring(
        firing=None if chosen is None else _firing(odds.table, chosen),
        now=None if best is None else _firing(odds.table, best),
        odds=now,
        odds_after=max(after, now),
        more_tiles=left,
        odds_after_more=max(several, after, now),
        odds_known=odds.known if best is not None else 0.0,
        least_gain=least,
        stop=stop or None,
        stop_code=stop_code or None,
        belief=_belief(found, odds, best) if best is not None else None,
        target=series.responses.stage.target,
        n_looks=found.n_looks,
        tiles_left=budget.blanks,
        count=count,
        rack_places=places_in_turn(plan, len(plan.tiles), count),
        waiting=_waiting(records),
        notes=_notes(series),
        provenance=found.provenance,
        reads=series.kiln.reads,
    )


def _affordable(
    series: FiringSeries, budget: RemainingBudget, table: pd.DataFrame
) -> tuple[BoolArray, str, str]:
    """Tell which firings a tile is left for; where none, why, with its code."""
    none = np.zeros(len(table), dtype=bool)
    if table.empty:
        return none, "the rules of series.toml forbid every firing", "nothing-allowed"
    spent = budget.spent_on(can_fire_on=False)
    if spent:
        return none, spent, "spent"
    mesh = table["mesh"].to_numpy(dtype=np.int64)
    allowed = budget.affords(mesh, tile_grams(series, table))
    if not allowed.any():
        return none, "no powder is left for a tile of any setting", "spent"
    return allowed, "", ""


def _choose(
    odds: FiringOdds,
    allowed: BoolArray,
    criterion: Criterion,
    hours: FloatArray,
    more_tiles: int,
) -> tuple[int, float, float]:
    """Return the row of the next tile, and the best odds expected after it and more."""
    now = np.where(allowed, odds.now, -1.0)
    tried = odds.tried(allowed)
    after = odds.after(tried)
    telling = tried[np.argsort(-after, kind="stable")[:_SHORTLIST]]
    several = float(odds.after(telling, more_tiles).max())
    if criterion == "greedy":
        row = odds.best() if allowed[odds.best()] else int(now.argmax())
        return row, float(odds.after(np.array([row]))[0]), several
    gain = np.maximum(after - odds.now.max(), 0.0)
    worth = gain * hours[tried].min() / hours[tried]
    equal = worth >= (1.0 - _EQUAL_SHARE) * worth.max()
    place = int(np.where(equal, now[tried], -1.0).argmax())
    return int(tried[place]), float(after[place]), several


def _firing(table: pd.DataFrame, row: int) -> Firing:
    at = table.iloc[row]
    return Firing(
        temperature_degC=float(at["temperature_degC"]),
        dwell_s=float(at["dwell_s"]),
        mesh=int(at["mesh"]),
        layers=int(at["layers"]),
        base=str(at["base"]),
    )


_HERE = ("dwell_s", "mesh", "layers", "base")


def _belief(fit: StagePosterior, odds: FiringOdds, best: int) -> BeliefCurve:
    """Return the curve at the dwell and setting of the best firing, with the looks."""
    at, looks = asdict(_firing(odds.table, best)), fit.looks
    rows = np.flatnonzero(_is_here(odds.table, at))
    tiles = looks[["tile", "temperature_degC", "dwell_s"]].assign(
        grade=looks["stage"].astype(str), here=_is_here(looks, at)
    )
    return BeliefCurve(
        dwell_s=at["dwell_s"],
        setting={name: at[name] for name in _HERE[1:]},
        temperature_degC=odds.table["temperature_degC"].to_numpy(dtype=float)[rows],
        grades=fit.grades,
        probability=odds.grades[rows].T,
        tiles=tiles,
    )


def _is_here(rows: pd.DataFrame, at: dict[str, Any]) -> BoolArray:
    alike = [(rows[name] == at[name]).to_numpy(dtype=bool) for name in _HERE]
    return np.asarray(np.logical_and.reduce(alike), dtype=bool)


def _waiting(records: Records) -> tuple[str, ...]:
    own = records.plan.tiles[records.plan.tiles["role"] != "control"]
    seen = {*records.looks["tile"], *records.lost}
    return tuple(str(tile) for tile in own["tile"].unique() if tile not in seen)


def _notes(series: FiringSeries) -> tuple[str, ...]:
    if series.responses.transparency is None:
        return ()
    return ("these odds are of the stage alone; firelab windows adds how clear a tile is",)


def _share(gain: float) -> str:
    return f"1 in {1.0 / gain:.0f}" if gain > 0 else "nothing"
