"""Firings before the test: counter-enamel, base and lower coats, in order.

Back and front take turns, back first, so that a tile is never more than one
coat out of balance while it is prepared, and the test coat meets a back that
carries as many coats as the front will, unless the series asks for less. The
coats give the powder that a plan needs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from firelab.plan.plan import Plan, PlannedPreparation
from firelab.series.declared_parts import PreparationFiring
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import ANY_TEMPERATURE, settable_temperature

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
            temperature_degC=settable_temperature(
                series, firing.temperature, ANY_TEMPERATURE
            ),
            dwell_s=firing.dwell,
            tiles=tuple(rows["tile"]),
        )
        for number, (purpose, coat, face, firing, rows) in enumerate(steps, start=1)
    )


def coat_grams(series: FiringSeries) -> float:
    """Return what one coat on one face takes from the jar, g, loss included."""
    on_tile = series.coat.weight_g_m2 * series.blank.area_m2
    return on_tile / (1.0 - series.coat.loss)


def mesh_grams(series: FiringSeries, tiles: pd.DataFrame) -> dict[int, float]:
    """Return grams of test enamel by mesh, loss included.

    Parameters
    ----------
    series : FiringSeries
        Fixes coat and tile.
    tiles : DataFrame
        Rows of a plan; a tile fired several times is powdered once.
    """
    once = tiles[tiles["role"] != "control"].drop_duplicates("tile")
    coats = once.groupby("mesh")["layers"].sum()
    return {int(str(mesh)): float(n) * coat_grams(series) for mesh, n in coats.items()}


def powder_needed(
    series: FiringSeries, tiles: pd.DataFrame, preparation: Sequence[PlannedPreparation]
) -> dict[str, float]:
    """Return grams to weigh out: by mesh, by base, and of counter-enamel.

    Parameters
    ----------
    series : FiringSeries
        Fixes coat, loss and tile.
    tiles : DataFrame
        Rows of a plan.
    preparation : sequence of PlannedPreparation
        Coats that are fired before the test.

    Returns
    -------
    dict of str to float
        Such as ``"80 mesh"``, ``"base hard clear"``, ``"counter-enamel"``; to
        0.01 g.
    """
    grams = {f"{mesh} mesh": g for mesh, g in mesh_grams(series, tiles).items()}
    control = tiles[tiles["role"] == "control"].drop_duplicates("tile")
    if series.plan.control is not None and len(control):
        name = f"control {series.plan.control.colour}"
        grams[name] = float(control["layers"].sum()) * coat_grams(series)
    for step in preparation:
        if step.purpose == "test coat":
            continue
        name = f"base {step.coat}" if step.purpose == "base coat" else step.purpose
        grams[name] = grams.get(name, 0.0) + len(step.tiles) * coat_grams(series)
    return {name: round(amount, 2) for name, amount in grams.items()}


def powder_left(series: FiringSeries, plan: Plan) -> Mapping[int, float]:
    """Return the grams of each budgeted mesh that the plan leaves, g.

    Parameters
    ----------
    series : FiringSeries
        Its budget says what there is; a mesh without a budget is left out.
    plan : Plan
        What is used.
    """
    used = mesh_grams(series, plan.tiles)
    meshes = dict.fromkeys([*series.factors.mesh.levels, *series.budget.grams])
    there = {mesh: series.budget.grams_there(mesh) for mesh in meshes}
    return {
        mesh: round(grams - used.get(mesh, 0.0), 2)
        for mesh, grams in there.items()
        if grams is not None
    }
