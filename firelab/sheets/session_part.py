"""The part of a plan that one session fires."""

from __future__ import annotations

from dataclasses import replace

from firelab.errors import UsageError
from firelab.plan.plan import Plan
from firelab.plan.powder import powder_needed
from firelab.series.firing_series import FiringSeries


def plan_of_session(series: FiringSeries, plan: Plan, session: int) -> Plan:
    """Return a plan cut down to one session, its preparation and its powder.

    Tiles first fired in an earlier session are prepared already, and left out
    of preparation and powder.

    Parameters
    ----------
    series : FiringSeries
        Fixes coat and tile.
    plan : Plan
        Of all sessions.
    session : int
        Which one.

    Raises
    ------
    UsageError
        If the plan has no such session.
    """
    tiles = plan.table
    known = sorted(int(one) for one in tiles["session"].unique())
    if session not in known:
        raise UsageError(
            f"session {session} is not in the plan",
            hint=f"one of {', '.join(str(one) for one in known)}",
        )
    first = tiles.groupby("tile")["session"].transform("min")
    here = tiles[tiles["session"] == session]
    new = tiles[first == session].drop_duplicates("tile")
    codes = set(new["tile"])
    preparation = tuple(
        replace(step, tiles=tuple(tile for tile in step.tiles if tile in codes))
        for step in plan.preparation
        if codes.intersection(step.tiles)
    )
    return replace(
        plan,
        tiles=here.reset_index(drop=True),
        preparation=preparation,
        powder_g=powder_needed(series, new, preparation),
        time_h={},
    )
