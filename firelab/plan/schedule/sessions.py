"""Which loads share a session, the order of firing, and what that order costs."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.plan.schedule.kiln_time import firing_seconds
from firelab.series.firing_series import FiringSeries


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
    sorted_loads = loads.sort_values(["session", "temperature_degC"], kind="stable")
    return {
        "how": series.plan.order,
        "changes": _changes(loads),
        "hours": round(firing_seconds(series, tiles) / 3600.0, 3),
        "hours_low_to_high": round(
            (
                firing_seconds(series, tiles)
                - (_changes(loads) - _changes(sorted_loads)) * series.budget.change
            )
            / 3600.0,
            3,
        ),
        "correlation": order_correlation(loads),
    }


def _changes(loads: pd.DataFrame) -> int:
    here = list(zip(loads["session"], loads["temperature_degC"], strict=True))
    return sum(now != before for before, now in zip([None, *here], here, strict=False))


def order_correlation(loads: pd.DataFrame) -> float:
    """Return the correlation of temperature with the place of a load in its session.

    Parameters
    ----------
    loads : DataFrame
        ``session`` and ``temperature_degC`` of each load in firing order; both
        places and temperatures are taken from their session's mean.
    """
    place = loads.groupby("session").cumcount().to_numpy(dtype=float)
    group = loads["session"].to_numpy()
    heat = loads["temperature_degC"].to_numpy(dtype=float)
    for session in np.unique(group):
        mine = group == session
        place[mine] -= place[mine].mean()
        heat = np.where(mine, heat - heat[mine].mean(), heat)
    size = float(np.sqrt((place**2).sum() * (heat**2).sum()))
    return round(float(place @ heat) / size, 3) if size > 0 else 0.0


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


IntArray = NDArray[np.int64]

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
    frame = pd.DataFrame(
        [(session, degrees[load]) for session, load in scheduled],
        columns=["session", "temperature_degC"],
    )
    return abs(order_correlation(frame))


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
    for _ in range(1 if series.plan.order == "low to high" else _ORDERS_DRAWN):
        drawn = _schedule_loads(series, blocks, degrees, rng, spare=spare)
        if not scheduled or _trend(drawn, of_load) < _trend(scheduled, of_load):
            scheduled = drawn
        if _trend(scheduled, of_load) <= _TREND_LET_PASS:
            break
    for number, (session, load) in enumerate(scheduled, start=1):
        rows = settings.iloc[rng.permutation(np.flatnonzero(loads == load))]
        pieces.append(rows.assign(session=session, load=number))
    fired = pd.concat(pieces, ignore_index=True)
    return fired.assign(order=np.arange(1, len(fired) + 1))
