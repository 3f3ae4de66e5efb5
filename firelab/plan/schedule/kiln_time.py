"""What the kiln takes: hours by purpose."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from firelab.plan.plan import PlannedPreparation
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
