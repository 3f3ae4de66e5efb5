"""Firings before the test: counter-enamel, base and lower coats, in order.

Back and front take turns, back first, so that a tile is never more than one
coat out of balance while it is prepared, and the test coat meets a back that
carries as many coats as the front will, unless the series asks for less.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from firelab.plan.kiln_steps import nearest_reading
from firelab.plan.plan import PlannedPreparation
from firelab.series.firing_series import FiringSeries
from firelab.series.preparation_wish import PreparationFiring

BARE = "none"
COUNTER = "counter-enamel"


def front_coats(tiles: pd.DataFrame) -> pd.Series[int]:
    """Return how many coats each row's tile carries on the front, base included."""
    return tiles["layers"] + (tiles["base"] != BARE).astype("int64")


def back_coats(series: FiringSeries, tiles: pd.DataFrame) -> pd.Series[int]:
    """Return how many coats each row's tile carries on the back."""
    front = front_coats(tiles)
    if series.preparation.back == "as the front":
        return front
    return front * 0 + (1 if series.preparation.back == "one coat" else 0)


def _steps(
    series: FiringSeries, tiles: pd.DataFrame
) -> Iterator[tuple[str, str, str, PreparationFiring, pd.DataFrame]]:
    firings = series.preparation
    coats, backs = front_coats(tiles), back_coats(series, tiles)
    for coat in range(1, int(coats.max()) + 1):
        yield COUNTER, COUNTER, "back", firings.counter, tiles[backs >= coat]
        more = tiles[coats > coat]
        on_base = (more["base"] != BARE) & (coat == 1)
        for base, rows in more[on_base].groupby("base", sort=True):
            yield "base coat", str(base), "front", firings.base, rows
        for name, rows in more[~on_base].groupby(_powder_names(series, more[~on_base])):
            yield "test coat", str(name), "front", firings.coat, rows


def _powder_names(series: FiringSeries, tiles: pd.DataFrame) -> pd.Series[str]:
    """Return what is sifted on each row's tile: colour and mesh."""
    control = series.plan.control.colour if series.plan.control else ""
    colour = np.where(tiles["role"] == "control", control, series.enamel.colour)
    names = [f"{c}, {m} mesh" for c, m in zip(colour, tiles["mesh"], strict=True)]
    return pd.Series(names, index=tiles.index, dtype="str")


def plan_preparation(
    series: FiringSeries, tiles: pd.DataFrame
) -> tuple[PlannedPreparation, ...]:
    """Return the preparation firings of a plan in their order.

    Parameters
    ----------
    series : FiringSeries
        Fixes temperature and dwell of each kind of preparation; a temperature is
        taken to the nearest that the kiln can be set to.
    tiles : DataFrame
        Rows of a plan; a tile fired several times is prepared once.
    """
    once = tiles.drop_duplicates("tile")
    if not len(once):
        return ()
    steps = [step for step in _steps(series, once) if len(step[-1])]
    return tuple(
        PlannedPreparation(
            step=number,
            purpose=purpose,
            coat=coat,
            face=face,
            temperature_degC=nearest_reading(series, firing.temperature),
            dwell_s=firing.dwell,
            tiles=tuple(rows["tile"]),
        )
        for number, (purpose, coat, face, firing, rows) in enumerate(steps, start=1)
    )
