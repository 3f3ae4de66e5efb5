"""More tiles for a plan that stands: everything planned stays as it is."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from firelab.craft.tile_codes import tile_index
from firelab.plan.added_rows import IntArray, added_rows, chained_loads, load_column
from firelab.plan.budget import budget_figures
from firelab.plan.control_tiles import add_control_tiles, sessions_overfull
from firelab.plan.draft import name_tiles
from firelab.plan.figures.design_figures import design_figures
from firelab.plan.kiln_time import kiln_hours
from firelab.plan.loads import group_into_loads
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.plan.powder import powder_needed
from firelab.plan.preparation import plan_preparation
from firelab.plan.sessions import fire_in_order
from firelab.plan.tile_history import met_before
from firelab.series.firing_series import FiringSeries


def _schedule(
    series: FiringSeries, wanted: pd.DataFrame, old: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the new rows, sessions, loads and order numbered on from the old."""
    # Dealt even where loads are named: what is drawn afterwards stays what it was.
    loads = group_into_loads(
        wanted, places=series.budget.places, most_loads=None, rng=rng, apart=False
    )
    if load_column(wanted) == "load":
        loads = _named_loads(wanted)
    chain = chained_loads(wanted, loads)
    if chain is not None:
        wanted = wanted.assign(climb=chain)
    fired = add_control_tiles(series, fire_in_order(series, wanted, loads, rng), rng)
    if sessions_overfull(series, fired):
        fired = fire_in_order(series, wanted, loads, rng, spare=1)
        fired = add_control_tiles(series, fired, rng)
    for column in ("session", "load", "order"):
        fired[column] += int(old[column].max())
    first = 1 + max(tile_index(code) for code in old["tile"])
    return name_tiles(fired, first=first)


def _named_loads(wanted: pd.DataFrame) -> IntArray:
    """Return the loads that a column names, numbered from 0 as dealt ones are."""
    loads = np.unique(wanted["load"].to_numpy(), return_inverse=True)[1].astype(np.int64)
    if chained_loads(wanted, loads) is not None:
        return loads
    keys = pd.DataFrame({"degC": wanted["temperature_degC"], "load": loads})
    return np.asarray(keys.groupby(["degC", "load"], sort=True).ngroup(), dtype=np.int64)


def _joined(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    tiles = pd.concat([old, new], ignore_index=True).astype(PLAN_DTYPES)
    met = met_before(tiles[tiles["role"] != "control"]).loc[len(old) :]
    tiles.loc[met.index, "role"] = np.where(met, "repeat", "test")
    return tiles


def extend_plan(
    series: FiringSeries,
    plan: Plan,
    settings: pd.DataFrame,
    *,
    note: str = "",
    rng: np.random.Generator | None = None,
) -> Plan:
    """Return the plan with further settings fired in a session of their own.

    Parameters
    ----------
    series : FiringSeries
        Its kiln has the places, its rules hold.
    plan : Plan
        Its rows, preparation and notes are kept as they stand.
    settings : DataFrame, n rows
        ``temperature_degC, dwell_s, mesh, layers, base``; rows of one
        temperature share loads, as many as the places need, unless a column
        ``load`` (or ``plot``) names them. Where a column ``tile`` holds the code
        of a planned tile, that tile is fired on: it keeps its code and its
        powder, is not prepared again, and `dwell_s` is the dwell of that firing
        alone. "" or nan is a new tile.
    note : str, default ''
        Why they were added, kept with the plan.
    rng : numpy.random.Generator, optional
        Order of firing; where absent it follows from the plan's seed and size.

    Returns
    -------
    Plan
        New tiles with fresh codes, further sessions, loads and preparation
        firings, numbered on. A load that fires a tile again comes after the load
        of the same session that fired it before.

    Raises
    ------
    FirelabError
        With every fault of every row: a rule forbids it (see ``broken_rules``), it
        fires on a tile that is not in the plan, is a control tile, has other
        powder or stands twice in a load, or its load cannot be.
    """
    old = plan.table
    wanted = added_rows(series, old, settings)
    if rng is None:
        rng = np.random.default_rng([plan.provenance.seed, len(plan.tiles)])
    new = _schedule(series, wanted, old, rng)
    tiles = _joined(old, new)
    steps = len(plan.preparation)
    preparation = plan.preparation + tuple(
        dataclasses.replace(step, step=step.step + steps)
        for step in plan_preparation(series, new[~new["tile"].isin(old["tile"])])
    )
    time_h = kiln_hours(series, tiles, preparation)
    figures = {
        **plan.figures,
        **design_figures(series, tiles),
        "budget": budget_figures(series, tiles, time_h),
    }
    return dataclasses.replace(
        plan,
        tiles=tiles,
        preparation=preparation,
        figures=figures,
        powder_g=powder_needed(series, tiles, preparation),
        time_h=time_h,
        notes=(*plan.notes, note) if note else plan.notes,
    )
