"""Firings before the test: counter-enamel, base and lower coats, in order.

Back and front take turns, back first, so that a tile is never more than one
coat out of balance while it is prepared, and the test coat meets a back that
carries as many coats as the front will.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from firelab.plan.plan import PlannedPreparation
from firelab.series.firing_series import FiringSeries
from firelab.series.preparation_wish import PreparationFiring

BARE = "none"
COUNTER = "counter-enamel"


def front_coats(tiles: pd.DataFrame) -> pd.Series[int]:
    """Return how many coats each row's tile carries on the front, base included."""
    return tiles["layers"] + (tiles["base"] != BARE).astype("int64")


def _steps(
    series: FiringSeries, tiles: pd.DataFrame
) -> Iterator[tuple[str, str, str, PreparationFiring, pd.DataFrame]]:
    firings = series.preparation
    coats = front_coats(tiles)
    for coat in range(1, int(coats.max()) + 1):
        yield COUNTER, COUNTER, "back", firings.counter, tiles[coats >= coat]
        more = tiles[coats > coat]
        on_base = (more["base"] != BARE) & (coat == 1)
        for base, rows in more[on_base].groupby("base", sort=True):
            yield "base coat", str(base), "front", firings.base, rows
        for mesh, rows in more[~on_base].groupby("mesh", sort=True):
            name = f"{series.enamel.colour}, {mesh} mesh"
            yield "test coat", name, "front", firings.coat, rows


def plan_preparation(
    series: FiringSeries, tiles: pd.DataFrame
) -> tuple[PlannedPreparation, ...]:
    """Return the preparation firings of a plan in their order.

    Parameters
    ----------
    series : FiringSeries
        Fixes temperature and dwell of each kind of preparation.
    tiles : DataFrame
        Rows of a plan; a tile fired several times is prepared once.
    """
    once = tiles.drop_duplicates("tile")
    steps = [step for step in _steps(series, once) if len(step[-1])]
    return tuple(
        PlannedPreparation(
            step=number,
            purpose=purpose,
            coat=coat,
            face=face,
            temperature_degC=firing.temperature,
            dwell_s=firing.dwell,
            tiles=tuple(rows["tile"]),
        )
        for number, (purpose, coat, face, firing, rows) in enumerate(steps, start=1)
    )
