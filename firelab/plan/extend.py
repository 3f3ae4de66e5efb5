"""More tiles for a plan that stands: everything planned stays as it is."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from firelab.craft.tile_codes import tile_index
from firelab.errors import FirelabError
from firelab.plan.budget import budget_figures
from firelab.plan.control_tiles import add_control_tiles
from firelab.plan.draft import name_tiles
from firelab.plan.figures.design_figures import design_figures
from firelab.plan.kiln_time import kiln_hours
from firelab.plan.loads import group_into_loads
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.plan.powder import powder_needed
from firelab.plan.preparation import plan_preparation
from firelab.plan.sessions import fire_in_order
from firelab.plan.settings_frame import SETTING_COLUMNS, is_allowed
from firelab.series.firing_series import FiringSeries


def _schedule(
    series: FiringSeries, wanted: pd.DataFrame, old: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the new rows, sessions, loads and order numbered on from the old."""
    loads = group_into_loads(
        wanted, places=series.budget.places, most_loads=None, rng=rng, apart=False
    )
    fired = fire_in_order(series, wanted, loads, rng, spare=0)
    fired = add_control_tiles(series, fired, rng)
    for column in ("session", "load", "order"):
        fired[column] += int(old[column].max())
    first = 1 + max(tile_index(code) for code in old["tile"])
    return name_tiles(fired, first=first)


def _joined(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    tiles = pd.concat([old, new], ignore_index=True).astype(PLAN_DTYPES)
    own = tiles[tiles["role"] != "control"]
    again = own.index[own.duplicated(list(SETTING_COLUMNS)) & (own.index >= len(old))]
    tiles.loc[again, "role"] = "repeat"
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
        ``plot`` names them.
    note : str, default ''
        Why they were added, kept with the plan.
    rng : numpy.random.Generator, optional
        Order of firing; where absent it follows from the plan's seed and size.

    Returns
    -------
    Plan
        New tiles with fresh codes, further sessions, loads and preparation
        firings, numbered on.

    Raises
    ------
    FirelabError
        If there is no setting, or a rule forbids one.
    """
    wanted = settings.reset_index(drop=True)
    if not len(wanted):
        raise FirelabError("there is no setting to add to the plan")
    if not is_allowed(series, wanted).all():
        raise FirelabError(
            "a setting to be added is forbidden by the rules", "series.toml rules"
        )
    if rng is None:
        rng = np.random.default_rng([plan.provenance.seed, len(plan.tiles)])
    old = plan.table
    new = _schedule(series, wanted, old, rng)
    tiles = _joined(old, new)
    steps = len(plan.preparation)
    preparation = plan.preparation + tuple(
        dataclasses.replace(step, step=step.step + steps)
        for step in plan_preparation(series, new)
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
