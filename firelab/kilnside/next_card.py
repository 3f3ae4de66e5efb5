"""What the page says after a grade: the next firing and why, and what is believed."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pandas as pd

from firelab.craft.degrees import PER_DEGC
from firelab.craft.tile_codes import tile_code, tile_index
from firelab.craft.trade_words import HAND_STEPS, count_words, hand_rule, setting_words
from firelab.craft.units import format_duration
from firelab.errors import FirelabError, UsageError
from firelab.plan.extend import extend_plan
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries
from firelab.sheets.tile_places import both_temperatures
from firelab.windows.answer_words import of_ten
from firelab.windows.sequential.next_choice import Firing, NextFiring, tenths
from firelab.windows.sequential.next_firing import next_firing

CODES_AHEAD = 4
"""Tiles that a phone without connection can go on with (chosen here, no source)."""
PLANNED_FIELDS = ("tile", "temperature_degC", "dwell_s", "change", "bench")


class TurnTaken(FirelabError):
    """The code of a begun tile is another tile's; `code` is the next one free."""

    code: str = ""


def next_card(records: Records) -> dict[str, Any]:
    """Return what the page shows of the next firing, as plain values.

    Parameters
    ----------
    records : Records
        Of one series and plan; there need be no look yet where tiles are chosen one at
        a time.

    Raises
    ------
    RecordsInsufficient
        If no look carries a stage, and the plan is not of one tile at a time.
    """
    found = next_firing(records)
    series, plan, firing = records.series, records.plan, found.firing
    goes_on = plan.is_sequential and firing is not None
    return {
        "firing": _firing_words(firing, series) if firing else None,
        "place": found.rack_place,
        "why": _why(found),
        "stop": f"You can stop: {found.stop}." if found.stop else "",
        "now": _now(found),
        "left": _left(found),
        "rule": hand_rule(series.kiln.reads),
        "step_degC": HAND_STEPS[series.kiln.reads] / PER_DEGC[series.kiln.reads],
        "codes": codes_ahead(series, plan, firing) if goes_on and firing else [],
        "waiting": list(found.waiting),
        "notes": list(found.notes),
        "target": list(found.target),
        "belief": found.belief.to_dict() if found.belief else None,
    }


def _firing_words(firing: Firing, series: FiringSeries) -> dict[str, Any]:
    return {
        **asdict(firing),
        "heat": both_temperatures(firing.temperature_degC, series.kiln.reads),
        "dwell": format_duration(firing.dwell_s),
        "setting": setting_words(asdict(firing)),
    }


def _why(found: NextFiring) -> str:
    """Say what the next tile is for."""
    if found.firing is None or found.now is None:
        return ""
    wanted = " or ".join(found.target)
    now, after = tenths(found.odds), tenths(max(found.odds_after, found.odds))
    heat = found.firing.temperature_degC - found.now.temperature_degC
    time = found.firing.dwell_s - found.now.dwell_s
    apart = [
        word
        for difference, more, less in (
            (heat, "hotter", "cooler"),
            (time, "longer", "shorter"),
        )
        for word in [more if difference > 0 else less]
        if difference
    ]
    where = f"{' and '.join(apart)} than" if apart else "at"
    return (
        f"It is {where} the likeliest firing and tells most: the odds of {wanted} go from "
        f"{now} of 10 to {after}."
    )


def _now(found: NextFiring) -> str:
    if found.now is None:
        return ""
    wanted = " or ".join(found.target)
    best = found.now.words(found.reads)
    return f"Likeliest now: {best}. Expect {of_ten(found.odds)} {wanted}."


def _left(found: NextFiring) -> str:
    seen = f"{count_words(found.n_looks, 'look')} so far"
    if found.tiles_left is None:
        return f"{seen}."
    return f"{seen}, {count_words(max(found.tiles_left, 0), 'blank')} left."


def _row(firing: Firing) -> pd.DataFrame:
    return pd.DataFrame([{**asdict(firing), "load": 1}])


def _new_tile(plan: Plan, longer: Plan) -> str:
    added = longer.tiles[~longer.tiles["tile"].isin(plan.tiles["tile"])]
    return str(added.loc[added["role"] != "control", "tile"].iloc[-1])


def codes_ahead(series: FiringSeries, plan: Plan, firing: Firing) -> list[str]:
    """Return the codes that the next tiles will have, whatever they are fired at.

    Single tiles take the codes in turn; where a session begins with a control tile,
    which takes one too, only the next is known.
    """
    try:
        longer = extend_plan(series, plan, _row(firing), same_session=True)
    except FirelabError:
        return []  # rules or stock end it
    code = _new_tile(plan, longer)
    if series.plan.control is not None:
        return [code]
    return [tile_code(tile_index(code) + place) for place in range(CODES_AHEAD)]


def plan_tile(
    series: FiringSeries, plan: Plan, firing: Firing, tile: str, *, is_own: bool | None
) -> Plan:
    """Return the plan with a tile that a phone has begun, or as it is if it holds it.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Of one tile at a time.
    firing : Firing
    tile : str
        The code that it was given, out of `codes_ahead`.
    is_own : bool or None
        Whether the same phone had the tile of that code planned; None where that is
        not known, and the same firing counts as the same tile.

    Raises
    ------
    UsageError
        If tiles are not chosen one at a time.
    TurnTaken
        If another tile took that code's turn.
    FirelabError
        If a rule forbids the firing.
    """
    if not plan.is_sequential:
        raise UsageError("the tiles of this plan were chosen beforehand")
    if is_planned(plan, firing, tile) and is_own in (True, None):
        return plan
    longer = extend_plan(
        series, plan, _row(firing), same_session=True, note="Chosen beside the kiln."
    )
    if (code := _new_tile(plan, longer)) != tile:
        taken = TurnTaken(f"another tile took the turn of {tile}; the next one is {code}")
        taken.code = code
        raise taken
    return longer


def is_planned(plan: Plan, firing: Firing, tile: str) -> bool:
    """Tell whether a plan holds a tile at a firing."""
    rows = plan.tiles[plan.tiles["tile"] == tile]
    return any(
        same_temperature(degC, firing.temperature_degC) and dwell_s == firing.dwell_s
        for degC, dwell_s in zip(rows["temperature_degC"], rows["dwell_s"], strict=True)
    )
