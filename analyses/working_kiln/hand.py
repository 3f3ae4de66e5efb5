"""The practised hand, rules of thumb, and any other chooser of one tile at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from kilns import PLACES
from working_kiln import USUAL_S, WorkingKiln

Firing = tuple[float, float]
"""Temperature, degC, and dwell, s."""
ChooseNext = Callable[[pd.DataFrame], Firing]


@dataclass(frozen=True, slots=True)
class Choice:
    """The firing that would be used for a piece, as far as is known.

    Attributes
    ----------
    degC, dwell_s : float
    told : float
        With what odds it is told to come out full; nan where no odds are told.
    recipe : tuple of (float, float) or None
        Firing that is called assured, where there is one.
    after : float
        What the odds are told to become after one more tile; nan where that is not told.
    stop : bool
        Whether it is told that one more tile is not worth firing.
    """

    degC: float
    dwell_s: float = USUAL_S
    told: float = np.nan
    recipe: Firing | None = None
    after: float = np.nan
    stop: bool = False


ChooseNow = Callable[[pd.DataFrame], Choice]

START_DEGC = (1400.0 - 32.0) / 1.8
STEP_DEGC = 25.0 / 1.8
"""Where the hand begins and how far it goes, 1400 and 25 degF (common practice, no
source)."""
MOST_TILES = 12
TILES_A_SESSION = 4
COLUMNS = ("temperature_degC", "dwell_s", "stage", "place", "session", "load", "observer")
COOLER = {"sugar": 1, "orange peel": 1, "full": 0, "over": -1}
"""Steps that the hand goes hotter after a grade."""


def fire_one(kiln: WorkingKiln, looks: pd.DataFrame, firing: Firing) -> pd.DataFrame:
    """Fire one new tile, at the next place of the rack; a new day every four tiles."""
    k = len(looks)
    session, place = k // TILES_A_SESSION + 1, k % PLACES + 1
    observer = k % 2 if kiln.kiln.observer_sd else 0
    kiln.fire(f"{k}", *firing, session=session, load=k + 1, place=place)
    grade = kiln.look(f"{k}", observer=observer)
    row = (*firing, grade, place, session, k + 1, ("AB", "CD")[observer])
    more = pd.DataFrame([row], columns=list(COLUMNS))
    return more if looks.empty else pd.concat([looks, more], ignore_index=True)


def nothing_fired() -> pd.DataFrame:
    """Return the looks of a jar just opened."""
    return pd.DataFrame(columns=list(COLUMNS))


def hand_next(looks: pd.DataFrame) -> Firing:
    """Go a step hotter or cooler; stay where a tile came out full."""
    if looks.empty:
        return START_DEGC, USUAL_S
    last = looks.iloc[-1]
    return float(last["temperature_degC"]) + STEP_DEGC * COOLER[last["stage"]], USUAL_S


def hand_stops(looks: pd.DataFrame) -> bool:
    """Tell whether two tiles in a row came out full."""
    return len(looks) > 1 and bool((looks["stage"].iloc[-2:] == "full").all())


def mean_of_last_two(looks: pd.DataFrame) -> Choice:
    """Return the mean of the hand's last two firings."""
    return Choice(float(looks["temperature_degC"].iloc[-2:].mean()))


def mean_of_fulls(looks: pd.DataFrame) -> Choice:
    """Return the mean temperature of what came out full; else as `middle_between`."""
    full = looks.loc[looks["stage"] == "full", "temperature_degC"]
    return Choice(float(full.mean())) if len(full) else middle_between(looks)


def middle_between(looks: pd.DataFrame) -> Choice:
    """Return the middle between the hottest too cool and the coolest too hot.

    A step beyond the last where there is but one of the two.
    """
    degC = looks["temperature_degC"].astype(float)
    cool = degC[looks["stage"].isin(["sugar", "orange peel"])]
    hot = degC[looks["stage"] == "over"]
    if len(cool) and len(hot):
        return Choice(0.5 * (float(cool.max()) + float(hot.min())))
    if len(cool):
        return Choice(float(cool.max()) + STEP_DEGC)
    if len(hot):
        return Choice(float(hot.min()) - STEP_DEGC)
    return Choice(float(degC.mean()))


RULES: dict[str, ChooseNow] = {
    "mean of the fulls": mean_of_fulls,
    "middle between": middle_between,
}
"""Rules of thumb, by name."""


def follow_hand(kiln: WorkingKiln) -> pd.DataFrame:
    """Fire as the hand does until it stops; return its looks."""
    looks = nothing_fired()
    while len(looks) < MOST_TILES and not hand_stops(looks):
        looks = fire_one(kiln, looks, hand_next(looks))
    return looks


def follow(
    kiln: WorkingKiln,
    choose_next: ChooseNext,
    choosers: dict[str, ChooseNow],
    *,
    most_tiles: int = MOST_TILES,
) -> list[dict[str, object]]:
    """Fire tile after tile as one chooser says; ask others which firing they would take.

    Parameters
    ----------
    kiln : WorkingKiln
    choose_next : callable
        From the looks so far, one row per tile with `COLUMNS`, to the temperature
        (degC) and dwell (s) of the next tile.
    choosers : mapping of str to callable
        From the same looks to the firing that would be used for a piece.
    most_tiles : int, default 12

    Returns
    -------
    list of dict
        After every tile, by chooser: ``tiles, chooser, degC, dwell_s, told, assured,
        recipe_true, true``.
    """
    looks, rows = nothing_fired(), []
    for tiles in range(1, most_tiles + 1):
        looks = fire_one(kiln, looks, choose_next(looks))
        for name, choose_now in choosers.items():
            choice = judge_choice(kiln, choose_now(looks))
            rows.append({"tiles": tiles, "chooser": name} | choice)
    return rows


def judge_choice(kiln: WorkingKiln, choice: Choice) -> dict[str, object]:
    """Return a choice with how often it truly comes out full."""
    degC, dwell = np.array([choice.degC]), np.array([choice.dwell_s])
    true = float(kiln.true_probability(degC, dwell)[0])
    recipe_true = np.nan
    if choice.recipe is not None:
        recipe_true = float(kiln.true_probability(*choice.recipe))
    return {
        "degC": round(choice.degC, 1),
        "dwell_s": round(choice.dwell_s),
        "told": round(choice.told, 4),
        "assured": int(choice.recipe is not None),
        "recipe_true": round(recipe_true, 4),
        "after": round(choice.after, 4),
        "stop": int(choice.stop),
        "true": round(true, 4),
    }
