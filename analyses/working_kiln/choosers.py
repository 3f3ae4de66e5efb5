"""Who may choose one tile at a time: the hand, and firelab's own commands."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
from hand import (
    RULES,
    Choice,
    ChooseNext,
    ChooseNow,
    Firing,
    follow,
    follow_hand,
    hand_next,
    hand_stops,
    judge_choice,
    mean_of_last_two,
)
from kiln_records import as_fired, search_series
from working_kiln import USUAL_S, open_kiln

from firelab import firing_windows, fit_stage, next_tiles
from firelab.craft.units import to_degC

DWELLS_S = (90.0, 135.0, 210.0)
LOW_DEGF, HIGH_DEGF = 1300.0, 1500.0
FIRST_DEGF = (1300.0, 1400.0, 1500.0)
Chooser = Callable[[], tuple[ChooseNext, ChooseNow]]


def windows_and_next() -> tuple[ChooseNext, ChooseNow]:
    """Fire three tiles over the range, then as `next_tiles` says, one new tile a load.

    The firing to use is the recipe of `firing_windows`, or the best that it knows.
    """
    series = search_series(dwells_s=DWELLS_S, low=LOW_DEGF, high=HIGH_DEGF)

    def choose_next(looks: pd.DataFrame) -> Firing:
        if len(looks) < len(FIRST_DEGF):
            return to_degC(FIRST_DEGF[len(looks)]), USUAL_S
        records = as_fired(series, looks)
        chosen = next_tiles(fit_stage(records), records.plan, places=1, fire_on=False)
        if chosen.table.empty:
            now = choose_now(looks)
            return now.degC, now.dwell_s
        first = chosen.table.iloc[0]
        return float(first["temperature_degC"]), float(first["dwell_s"])

    def choose_now(looks: pd.DataFrame) -> Choice:
        if len(looks) < len(FIRST_DEGF):
            return RULES["mean of the fulls"](looks)
        window = firing_windows(fit_stage(as_fired(series, looks))).windows[0]
        best = window.recipe or window.best
        assured = window.recipe is not None
        return Choice(best.temperature_degC, best.dwell_s, best.probability, assured)

    return choose_next, choose_now


CHOOSERS: dict[str, Chooser] = {"windows and next": windows_and_next}
"""Whatever is to be measured at 1 to 12 tiles, by name: add a way to choose here."""


def hand_once(name: str, number: int) -> list[dict[str, object]]:
    """Return the best possible, the hand, and the rules on what a hand goes on to fire."""
    kiln = open_kiln(name, number)
    low, high = to_degC(LOW_DEGF), to_degC(HIGH_DEGF)
    degC, dwell, _ = kiln.best((low, high), DWELLS_S)
    looks = follow_hand(kiln)
    hand = judge_choice(kiln, mean_of_last_two(looks))
    stopped = int(hand_stops(looks))
    rows = [
        {"by": "best possible", "tiles": 0} | judge_choice(kiln, Choice(degC, dwell)),
        {"by": "hand", "tiles": 0, "used": len(looks), "stopped": stopped} | hand,
    ]
    on = follow(open_kiln(name, number), hand_next, RULES)
    return rows + [{"by": "hand going on"} | row for row in on]


def chooser_once(name: str, number: int, *, by: str, most_tiles: int) -> list[dict]:
    """Return a chooser and the rules of thumb on its looks, after every tile."""
    choose_next, choose_now = CHOOSERS[by]()
    choosers = {"itself": choose_now, **RULES}
    kiln = open_kiln(name, number)
    rows = follow(kiln, choose_next, choosers, most_tiles=most_tiles)
    return [{"by": by} | row for row in rows]
