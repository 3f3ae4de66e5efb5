"""A plan with rows more or fewer, and what follows from them: powder, hours, figures."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from firelab.errors import FirelabError
from firelab.plan.design_figures import design_figures
from firelab.plan.plan import PLAN_DTYPES, Plan, PlannedPreparation
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import budget_figures, plan_preparation, powder_needed
from firelab.plan.tile_history import met_before
from firelab.series.firing_series import FiringSeries


def with_rows(
    series: FiringSeries, plan: Plan, new: pd.DataFrame, *, note: str = ""
) -> Plan:
    """Return the plan with further rows, numbered on, and what follows from them.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Its rows, preparation and notes are kept as they stand.
    new : DataFrame
        Columns of ``plan.csv``.
    note : str, default ''
        Why they were added, kept with the plan.
    """
    old = plan.table
    tiles = _joined(old, new)
    steps = len(plan.preparation)
    preparation = plan.preparation + tuple(
        dataclasses.replace(step, step=step.step + steps)
        for step in plan_preparation(series, new[~new["tile"].isin(old["tile"])])
    )
    longer = follow_rows(series, plan, tiles, preparation)
    is_new = bool(note) and note not in plan.notes
    return dataclasses.replace(longer, notes=(*plan.notes, note) if is_new else plan.notes)


def without_last(series: FiringSeries, plan: Plan, tile: str) -> Plan:
    """Return the plan without its last tile, which was planned by mistake.

    Its code is free again.

    Raises
    ------
    FirelabError
        If it is not.
    """
    rows = np.flatnonzero(plan.tiles["tile"] == tile)
    if rows.tolist() != [len(plan.tiles) - 1]:
        raise FirelabError(
            f"tile {tile} is not the last that was planned",
            hint=f"keep its place: firelab record --tile {tile} --lost 'never fired'",
        )
    left = (
        dataclasses.replace(step, tiles=tuple(one for one in step.tiles if one != tile))
        for step in plan.preparation
    )
    preparation = tuple(
        dataclasses.replace(step, step=number)
        for number, step in enumerate((one for one in left if one.tiles), start=1)
    )
    return follow_rows(series, plan, plan.tiles.iloc[:-1], preparation)


def follow_rows(
    series: FiringSeries,
    plan: Plan,
    tiles: pd.DataFrame,
    preparation: tuple[PlannedPreparation, ...],
) -> Plan:
    """Return the plan with other rows and preparation, and what follows from them.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Its notes are kept.
    tiles : DataFrame
        Columns of ``plan.csv``.
    preparation : tuple of PlannedPreparation
    """
    time_h = kiln_hours(series, tiles, preparation)
    figures = {
        **plan.figures,
        **({} if plan.is_sequential else design_figures(series, tiles)),
        "budget": budget_figures(series, tiles, time_h),
    }
    return dataclasses.replace(
        plan,
        tiles=tiles,
        preparation=preparation,
        figures=figures,
        powder_g=powder_needed(series, tiles, preparation),
        time_h=time_h,
    )


def _joined(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    tiles = pd.concat([old, new], ignore_index=True).astype(PLAN_DTYPES)
    met = met_before(tiles[tiles["role"] != "control"]).loc[len(old) :]
    tiles.loc[met.index, "role"] = np.where(met, "repeat", "test")
    return tiles
