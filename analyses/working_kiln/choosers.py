"""Who may choose one tile at a time: the hand, and firelab's own commands."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

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
from kiln_records import as_fired, nothing_yet, search_series, sequential_series
from working_kiln import USUAL_S, open_kiln

from firelab import firing_windows, fit_stage, next_tiles
from firelab.craft.units import to_degC
from firelab.plan.plan import SEQUENTIAL
from firelab.windows.sequential.next_choice import NextFiring
from firelab.windows.sequential.next_firing import Criterion, next_firing

DWELLS_S = (90.0, 135.0, 210.0)
LOW_DEGF, HIGH_DEGF = 1300.0, 1500.0
FIRST_DEGF = (1300.0, 1400.0, 1500.0)
SEARCHED_DEGF = (1225.0, 1525.0)
"""Range of a series that is searched one tile at a time: 150 degF about the trade's."""
LEAST_ODDS = 0.75
"""Below these odds no firing can be 90 % sure to be 80 % likely, but for posteriors that no
colour here has: no window is asked."""
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
        firing = best.temperature_degC, best.dwell_s
        recipe = firing if window.recipe is not None else None
        return Choice(*firing, best.probability, recipe)

    return choose_next, choose_now


def one_tile_at_a_time(criterion: Criterion) -> tuple[ChooseNext, ChooseNow]:
    """Fire as `next_firing` says from the first tile on, at the usual time.

    The firing to use is the one that it tells now.
    """
    series = sequential_series(low=SEARCHED_DEGF[0], high=SEARCHED_DEGF[1])
    kept: dict[int, tuple[NextFiring, Firing | None]] = {}

    def ask(looks: pd.DataFrame) -> tuple[NextFiring, Firing | None]:
        if len(looks) not in kept:
            if not len(looks):
                return next_firing(nothing_yet(series), criterion=criterion), None
            records = as_fired(series, looks, kind=SEQUENTIAL)
            fit = fit_stage(records)
            asked, recipe = next_firing(records, fit=fit, criterion=criterion), None
            if asked.odds >= LEAST_ODDS:
                found = firing_windows(fit).windows[0].recipe
                recipe = (found.temperature_degC, found.dwell_s) if found else None
            kept[len(looks)] = asked, recipe
        return kept[len(looks)]

    def choose_next(looks: pd.DataFrame) -> Firing:
        firing = ask(looks)[0].firing
        return firing.temperature_degC, firing.dwell_s

    def choose_now(looks: pd.DataFrame) -> Choice:
        asked, recipe = ask(looks)
        return Choice(
            asked.now.temperature_degC,
            asked.now.dwell_s,
            told=asked.odds,
            recipe=recipe,
            after=asked.odds_after,
            stop=asked.stop_code == "no-gain",
        )

    return choose_next, choose_now


CHOOSERS: dict[str, Chooser] = {
    "windows and next": windows_and_next,
    "one tile at a time": partial(one_tile_at_a_time, "knowledge gradient"),
    "greedy": partial(one_tile_at_a_time, "greedy"),
}
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
    """Return a chooser and the rules of thumb on its looks, beside `hand_once`."""
    choose_next, choose_now = CHOOSERS[by]()
    choosers = {"itself": choose_now, **RULES}
    kiln = open_kiln(name, number)
    rows = follow(kiln, choose_next, choosers, most_tiles=most_tiles)
    return hand_once(name, number) + [{"by": by} | row for row in rows]
