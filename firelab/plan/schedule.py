"""Which tiles share a load, which loads a session, in what order, and what it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.plan.plan import SETTING_COLUMNS, PlannedPreparation
from firelab.series.firing_series import FiringSeries


def kiln_hours(
    series: FiringSeries, tiles: pd.DataFrame, preparation: Sequence[PlannedPreparation]
) -> dict[str, float]:
    """Return hours by purpose, and ``total``.

    Every load takes its longest dwell and the kiln's recovery; every change of
    temperature, and the heating up of a session, takes the budget's ``change``;
    every preparation firing is followed by cooling.

    Parameters
    ----------
    series : FiringSeries
        Its budget holds places, change, recovery and cooling.
    tiles : DataFrame
        Rows of a plan, in firing order.
    preparation : sequence of PlannedPreparation
        Firings before the test.
    """
    budget = series.budget
    seconds: dict[str, float] = {}
    before: float | None = None
    for step in preparation:
        n_loads = step.n_loads(budget.places)
        change = 0.0 if step.temperature_degC == before else budget.change
        spent = n_loads * (step.dwell_s + budget.recovery) + change + budget.cooling
        seconds[step.purpose] = seconds.get(step.purpose, 0.0) + spent
        before = step.temperature_degC
    seconds["test firings"] = firing_seconds(series, tiles)
    hours = {purpose: round(spent / 3600.0, 3) for purpose, spent in seconds.items()}
    return hours | {"total": round(sum(seconds.values()) / 3600.0, 3)}


def firing_seconds(series: FiringSeries, tiles: pd.DataFrame) -> float:
    """Return the seconds that the test firings of a plan take.

    A load that fires a tile of the load before again, in the same session, waits
    for it to cool.
    """
    budget, spent = series.budget, 0.0
    before: tuple[int, float] | None = None
    just_fired: set[str] = set()
    for _, rows in tiles.groupby(["session", "load"], sort=True):
        first = rows.iloc[0]
        here = (int(first["session"]), float(first["temperature_degC"]))
        spent += budget.change if here != before else 0.0
        spent += float(rows["dwell_s"].max()) + budget.recovery
        waits = before is not None and before[0] == here[0]
        spent += budget.cooling if waits and just_fired & set(rows["tile"]) else 0.0
        before, just_fired = here, set(rows["tile"])
    return spent


_MOST_APART = 3
"""Loads of one temperature at most, where repeats are kept apart (chosen here, no
source)."""


def _keys(settings: pd.DataFrame) -> list[tuple[float | int | str, ...]]:
    return list(settings[list(SETTING_COLUMNS)].itertuples(index=False, name=None))


def _loads_of_temperature(
    sizes: list[int], repeats: list[int], places: int, most_loads: int | None
) -> list[int]:
    """Return how many loads each temperature gets.

    As few as its tiles need; where the budget has room, one for each repeat of
    a setting, three at most, and two at least, so that a load can be told from a
    temperature.
    """
    few = [math.ceil(size / places) for size in sizes]
    apart = [
        max(least, min(again, _MOST_APART))
        for least, again in zip(few, repeats, strict=True)
    ]
    two = [max(one, min(2, size)) for one, size in zip(apart, sizes, strict=True)]
    for wish in (two, apart):
        if most_loads is not None and sum(wish) <= most_loads:
            return wish
    return few


def _deal(rows: pd.DataFrame, n_loads: int, rng: np.random.Generator) -> list[IntArray]:
    """Deal rows to loads in turn, equal settings one after the other."""
    keys = _keys(rows)
    distinct = list(dict.fromkeys(keys))
    turn = {distinct[old]: new for new, old in enumerate(rng.permutation(len(distinct)))}
    ordered = np.array(sorted(range(len(rows)), key=lambda place: turn[keys[place]]))
    labels = rows.index.to_numpy(dtype=np.int64)
    return [labels[ordered[first::n_loads]] for first in range(n_loads)]


def group_into_loads(
    settings: pd.DataFrame,
    *,
    places: int,
    most_loads: int | None,
    rng: np.random.Generator,
    apart: bool = True,
) -> IntArray:
    """Return the load of each row, from 0, in no order of firing yet.

    Parameters
    ----------
    settings : DataFrame, n rows
        As a `Proposal` holds, index 0 to n - 1; its ``plot`` column, where
        there is one, already names the loads.
    places : int
        Tiles that fit into one load.
    most_loads : int or None
        The budget's loads.
    rng : numpy.random.Generator
        Decides which of several settings share a load.
    apart : bool, default True
        Use spare loads of the budget to keep repeats apart.

    Returns
    -------
    ndarray of int, shape (n,)
        One temperature per load, at most `places` rows each; repeats of one
        setting stand in different loads where the loads suffice.
    """
    if "plot" in settings:
        return np.unique(settings["plot"].to_numpy(), return_inverse=True)[1].astype(
            np.int64
        )
    groups = [rows for _, rows in settings.groupby("temperature_degC", sort=True)]
    repeats = [max(pd.Series(_keys(rows)).value_counts()) for rows in groups]
    sizes = [len(rows) for rows in groups]
    if apart:
        counts = _loads_of_temperature(sizes, repeats, places, most_loads)
    else:
        counts = [math.ceil(size / places) for size in sizes]
    loads = np.zeros(len(settings), dtype=np.int64)
    load = 0
    for rows, n_loads in zip(groups, counts, strict=True):
        for members in _deal(rows, n_loads, rng):
            loads[members] = load
            load += 1
    return loads


def order_figures(
    series: FiringSeries, tiles: pd.DataFrame
) -> dict[str, float | int | str]:
    """Return changes of temperature, hours, and what the order is confounded with.

    Returns
    -------
    dict
        ``how``; ``changes`` of temperature, heating up among them; ``hours`` of
        the test firings and ``hours_low_to_high`` if each session went from low
        to high; ``correlation``, of temperature with the place of the load in
        its session, over all loads.
    """
    loads = tiles.drop_duplicates("load").sort_values("load")
    rising = loads.sort_values(["session", "temperature_degC"], kind="stable")
    spent = firing_seconds(series, tiles)
    saved = (_changes(loads) - _changes(rising)) * series.budget.change
    return {
        "how": series.plan.order,
        "changes": _changes(loads),
        "hours": round(spent / 3600.0, 3),
        "hours_low_to_high": round((spent - saved) / 3600.0, 3),
        "correlation": order_correlation(
            loads["session"].to_numpy(), loads["temperature_degC"].to_numpy()
        ),
    }


def _changes(loads: pd.DataFrame) -> int:
    here = list(zip(loads["session"], loads["temperature_degC"], strict=True))
    return sum(now != before for before, now in zip([None, *here], here, strict=False))


def order_correlation(session: IntArray, temperature_degC: FloatArray) -> float:
    """Return the correlation of temperature with the place of a load in its session.

    Parameters
    ----------
    session : ndarray of int, shape (n,)
        Of each load in firing order.
    temperature_degC : ndarray, shape (n,)
        Both places and temperatures are taken from their session's mean.
    """
    by_session = np.argsort(session, kind="stable")
    _, first, size = np.unique(session[by_session], return_index=True, return_counts=True)
    at, heat = np.repeat(np.arange(first.size), size), temperature_degC[by_session]
    place = np.arange(len(session)) - first[at] - 0.5 * (size[at] - 1.0)
    heat = heat - (np.add.reduceat(heat, first) / size)[at]
    both = float(np.sqrt((place**2).sum() * (heat**2).sum()))
    return round(float(place @ heat) / both, 3) if both > 0 else 0.0


def order_note(figures: dict[str, float | int | str]) -> str:
    """Say how the firing order was chosen and what that costs."""
    low, hours = float(figures["hours_low_to_high"]), float(figures["hours"])
    r = float(figures["correlation"])
    if figures["how"] == "low to high":
        return (
            f"Order: low to high within each session, {figures['changes']} changes of "
            f"temperature. A drift of kiln or eye within a session cannot be told from "
            f"temperature (correlation {r:.2f}); a random order could."
        )
    more = max(hours - low, 0.0)
    cost = f"{more:.1f} h more" if more >= 0.05 else "no more time"
    return (
        f"Order: loads at random within each session (orders that climb or fall were "
        f"drawn again; correlation of place with temperature {r:.2f}), tiles at random "
        f"within a load. It costs {cost} than low to high, "
        "and keeps a drift of kiln or eye apart from temperature."
    )


_ORDERS_DRAWN = 40
_TREND_LET_PASS = 0.25
"""Random orders are drawn until the correlation of temperature with the place in the
session is at most this, so many at most (chosen here, no source)."""


def _blocks(settings: pd.DataFrame, loads: IntArray) -> list[list[int]]:
    """Return the loads that must follow one another; most stand alone.

    A ladder's loads are one block: its tiles climb step by step.
    """
    if "climb" not in settings:
        return [[int(load)] for load in np.unique(loads)]
    pairs = pd.DataFrame({"climb": settings["climb"], "load": loads}).drop_duplicates()
    return [
        [int(load) for load in sorted(rows["load"])] for _, rows in pairs.groupby("climb")
    ]


def _deal_to_sessions(
    blocks: list[list[int]], degrees: list[float], holds: int, rng: np.random.Generator
) -> list[list[list[int]]]:
    """Deal blocks to sessions in turn, the blocks of one temperature apart."""
    longest = max(len(block) for block in blocks)
    n_sessions = math.ceil(len(blocks) / max(holds // longest, 1))
    distinct = sorted(set(degrees))
    turn = {distinct[old]: new for new, old in enumerate(rng.permutation(len(distinct)))}
    ordered = sorted(range(len(blocks)), key=lambda place: turn[degrees[place]])
    first = rng.permutation(n_sessions)
    return [[blocks[place] for place in ordered[start::n_sessions]] for start in first]


def _trend(scheduled: list[tuple[int, int]], degrees: dict[int, float]) -> float:
    """Return how far temperature goes with the place in the session, 0 to 1."""
    session = np.array([session for session, _ in scheduled])
    heat = np.array([degrees[load] for _, load in scheduled])
    return abs(order_correlation(session, heat))


def _schedule_loads(
    series: FiringSeries,
    blocks: list[list[int]],
    degrees: list[float],
    rng: np.random.Generator,
    *,
    spare: int = 0,
) -> list[tuple[int, int]]:
    """Return the loads in firing order, each as (session from 1, load)."""
    n_loads = sum(len(block) for block in blocks)
    holds = max((series.budget.session_loads or n_loads + spare) - spare, 1)
    scheduled = []
    at = {tuple(block): degC for block, degC in zip(blocks, degrees, strict=True)}
    sessions = _deal_to_sessions(blocks, degrees, holds, rng)
    for session, members in enumerate(sessions, start=1):
        shuffled = [members[place] for place in rng.permutation(len(members))]
        if series.plan.order == "low to high":
            shuffled.sort(key=lambda block: at[tuple(block)])
        scheduled += [(session, load) for block in shuffled for load in block]
    return scheduled


def fire_in_order(
    series: FiringSeries,
    settings: pd.DataFrame,
    loads: IntArray,
    rng: np.random.Generator,
    *,
    spare: int = 0,
) -> pd.DataFrame:
    """Return the settings in firing order with ``session``, ``load`` and ``order``.

    Parameters
    ----------
    series : FiringSeries
        Fixes sessions and order.
    settings : DataFrame, n rows
        As a `Proposal` holds.
    loads : ndarray of int, shape (n,)
        Load of each row; see ``group_into_loads``.
    rng : numpy.random.Generator
        Source of the random order, within loads too.
    spare : int, default 0
        Loads of each session that are left open, for a control tile.
    """
    temperature = settings["temperature_degC"].to_numpy()
    blocks = _blocks(settings, loads)
    degrees = [float(temperature[loads == block[0]][0]) for block in blocks]
    of_load = {int(load): float(temperature[loads == load][0]) for load in np.unique(loads)}
    pieces = []
    scheduled: list[tuple[int, int]] = []
    least = math.inf
    for _ in range(1 if series.plan.order == "low to high" else _ORDERS_DRAWN):
        drawn = _schedule_loads(series, blocks, degrees, rng, spare=spare)
        trend = _trend(drawn, of_load)
        if trend < least:
            scheduled, least = drawn, trend
        if least <= _TREND_LET_PASS:
            break
    for number, (session, load) in enumerate(scheduled, start=1):
        rows = settings.iloc[rng.permutation(np.flatnonzero(loads == load))]
        pieces.append(rows.assign(session=session, load=number))
    fired = pd.concat(pieces, ignore_index=True)
    return fired.assign(order=np.arange(1, len(fired) + 1))
