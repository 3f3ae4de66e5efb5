"""Tiles that are lost: what they would have shown, to be planned again."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from firelab.errors import FaultyFile
from firelab.plan.plan import Plan
from firelab.plan.plan_files import read_plan
from firelab.records.firing_log import read_log
from firelab.records.look import LOST, Look
from firelab.records.planned_firings import planned_firings
from firelab.series.firing_series import FiringSeries
from firelab.series.series_file import read_series

_NOTE = "Replaces lost tiles: "


def read_lost(folder: str | Path) -> tuple[FiringSeries, Plan, tuple[Look, ...]]:
    """Return series, plan and the rows of the log that stand, losses among them.

    Raises
    ------
    FaultyFile
        With every fault of series, plan or log.
    """
    series = read_series(folder)
    plan = read_plan(folder, series)
    log = read_log(folder, series, planned_firings(plan))
    if log.findings:
        raise FaultyFile(log.findings)
    return series, plan, log.standing


def lost_settings(plan: Plan, standing: Iterable[Look]) -> pd.DataFrame:
    """Return the first planned firing of each test tile that was lost and never graded.

    Parameters
    ----------
    plan : Plan
        Its notes name the tiles that were replaced already.
    standing : iterable of Look

    Returns
    -------
    DataFrame
        Rows of ``plan.csv``.
    """
    looks = tuple(standing)
    lost = {one.tile for one in looks if LOST in one.change}
    seen = {one.tile for one in looks if LOST not in one.change and one.stage}
    notes = (note.removeprefix(_NOTE) for note in plan.notes if note.startswith(_NOTE))
    replaced = {code for note in notes for code in re.split(r"[,.\s]+", note)}
    first = plan.table.sort_values("order").drop_duplicates("tile")
    wanted = first["tile"].isin(lost - seen - replaced) & (first["role"] != "control")
    return first[wanted].reset_index(drop=True)


def replacement_note(tiles: Iterable[str]) -> str:
    """Return the note of a plan by which `lost_settings` knows what was replaced."""
    return f"{_NOTE}{', '.join(tiles)}."
