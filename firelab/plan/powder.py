"""How much powder a plan needs, and how much is left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from firelab.plan.plan import Plan, PlannedPreparation
from firelab.series.firing_series import FiringSeries


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
