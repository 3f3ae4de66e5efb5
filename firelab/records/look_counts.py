"""Whether a tile was fired as often as planned, so that it may be fired on."""

from __future__ import annotations

import pandas as pd

from firelab.plan.plan import Plan


def tiles_as_planned(plan: Plan, looks: pd.DataFrame) -> tuple[str, ...]:
    """Return the tiles of which every planned firing was looked at, and no other.

    Only such a tile may be planned a further firing: the n-th row of the plan is
    look n. After a firing beyond the plan the next row would take its number.

    Parameters
    ----------
    plan : Plan
    looks : DataFrame
        As `Records.looks`.

    Returns
    -------
    tuple of str
        In the order of their first firing, control tiles left out.
    """
    own = plan.tiles[plan.tiles["role"] != "control"].sort_values("order")
    planned = own.groupby("tile", sort=False).size()
    seen = looks.drop_duplicates(["tile", "look"]).groupby("tile").size()
    there = seen.reindex(planned.index, fill_value=0)
    return tuple(str(tile) for tile in planned.index[planned == there])
