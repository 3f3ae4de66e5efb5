"""The rows of a plan against one another and against the series that they are of.

What each planned firing finds (the dwell that a tile has had, and where it had it), every
way in which rows break their series, and what follows where there are rows more or fewer:
powder, hours, figures.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np
import pandas as pd

from firelab.craft.units import format_temperature, implausible_temperature
from firelab.errors import Finding, FirelabError
from firelab.plan.design_figures import design_figures
from firelab.plan.plan import PLAN_DTYPES, Plan, PlannedPreparation, is_allowed
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import budget_figures, budget_needs, plan_preparation, powder_needed
from firelab.series.factors import FactorName, Rule, same_temperature
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import PLAN_TABLE
from firelab.series.heat_counted import heat_before, time_there
from firelab.series.kiln_settings import DWELL_DECIMALS, TEMPERATURE_DECIMALS


def dwell_at_temperature(series: FiringSeries, tiles: pd.DataFrame) -> pd.Series[float]:
    """Return the dwell that each row's tile has had at that row's temperature, s.

    Parameters
    ----------
    series : FiringSeries
        Its blank warms up anew in every firing.
    tiles : DataFrame, n rows
        Rows of a plan; ``tile, order, temperature_degC, dwell_s`` are read.

    Returns
    -------
    Series, n rows
        The row's own dwell, and the tile's earlier ones at the same temperature
        less their warming up; those at other temperatures are left out.
    """
    ordered = tiles.sort_values("order", kind="stable")
    rows = zip(
        heat_before(series.blank, ordered),
        ordered["temperature_degC"],
        ordered["dwell_s"],
        strict=True,
    )
    found = [time_there(had, degC) + dwell for had, degC, dwell in rows]
    return pd.Series(found, index=ordered.index, dtype="float64").reindex(tiles.index)


def broken_rules(series: FiringSeries, tiles: pd.DataFrame) -> Iterator[tuple[int, Rule]]:
    """Name each row that a rule forbids, with the first such rule.

    A rule speaks of a dwell at a temperature. It is held against the whole dwell
    that the tile has had at the row's temperature: a tile pulled and fired on
    there breaks what one long firing would break, and what it had at another
    temperature is judged in the row that gave it.

    Parameters
    ----------
    series : FiringSeries
        Its rules.
    tiles : DataFrame
        Rows of a plan without control tiles.
    """
    seen = tiles.assign(dwell_s=dwell_at_temperature(series, tiles))
    for row in seen.index[~is_allowed(series, seen)]:
        broken = [rule for rule in series.rules if rule.forbids(seen.loc[[row]])[0]]
        yield int(row), broken[0]


def met_before(tiles: pd.DataFrame) -> pd.Series[bool]:
    """Tell which rows bring a tile to where another tile was brought before.

    What counts is all that was done to the tile: mesh, layers, base, and its
    firings in order. A tile fired on is no repeat of a new tile fired for longer.

    Parameters
    ----------
    tiles : DataFrame, n rows
        Rows of a plan without control tiles.
    """
    had: dict[str, tuple[tuple[float, float], ...]] = {}
    met = {}
    seen = set()
    columns = ("tile", "temperature_degC", "dwell_s", "mesh", "layers", "base")
    ordered = tiles.sort_values("order", kind="stable")
    for row, tile, degC, dwell, *mix in zip(
        ordered.index, *(ordered[name].tolist() for name in columns), strict=True
    ):
        here = (round(degC, TEMPERATURE_DECIMALS), round(dwell, DWELL_DECIMALS))
        had[tile] = (*had.get(tile, ()), here)
        done = (*mix, had[tile])
        met[row] = done in seen
        seen.add(done)
    return pd.Series(met, dtype=bool).reindex(tiles.index)


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
    """Return the plan with other rows and preparation, and what follows from them."""
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


_FIRST_ROW_LINE = 2
_CORRECT = "correct the row, or make the plan anew with: firelab plan"


def _finding(code: str, row: int | None, message: str, hint: str = _CORRECT) -> Finding:
    line = 0 if row is None else row + _FIRST_ROW_LINE
    return Finding(code=code, file=PLAN_TABLE, line=line, message=message, hint=hint)


def plan_findings(series: FiringSeries, plan: Plan) -> list[Finding]:
    """Return every way in which a plan breaks its series.

    Parameters
    ----------
    series : FiringSeries
        Its rules, levels, kiln and budget.
    plan : Plan
        As read back, perhaps changed by hand.

    Returns
    -------
    list of Finding
        Empty where the plan can be fired as it stands.
    """
    tiles = plan.table.reset_index(drop=True)
    return [
        *_load_findings(series, tiles),
        *_session_findings(series, tiles),
        *_tile_findings(tiles),
        *_setting_findings(series, tiles),
        *_budget_findings(series, tiles, plan),
    ]


def _load_findings(series: FiringSeries, tiles: pd.DataFrame) -> Iterator[Finding]:
    places = series.budget.places
    for load, rows in tiles.groupby("load", sort=True):
        first = rows.iloc[0]
        for row, degC in rows["temperature_degC"].items():
            if not same_temperature(float(degC), float(first["temperature_degC"])):
                yield _finding(
                    "load-temperatures",
                    int(str(row)),
                    f"load {load} is at {format_temperature(float(degC))} here and at "
                    f"{format_temperature(float(first['temperature_degC']))} before",
                    "a load has one temperature: move the tile to another load",
                )
        if len(set(rows["session"])) > 1:
            sessions = " and ".join(str(one) for one in rows["session"].unique())
            yield _finding(
                "load-sessions",
                int(str(rows.index[-1])),
                f"load {load} stands in sessions {sessions}",
                "give every load one session",
            )
        if len(rows) > places:
            yield _finding(
                "load-places",
                int(str(rows.index[places])),
                f"load {load} holds {len(rows)} tiles; the kiln has {places} places",
                "move a tile to another load, or correct budget.places",
            )


def _session_findings(series: FiringSeries, tiles: pd.DataFrame) -> Iterator[Finding]:
    most = series.budget.session_loads
    for session, rows in tiles.groupby("session", sort=True):
        n_loads = rows["load"].nunique()
        if most is not None and n_loads > most:
            yield _finding(
                "session-loads",
                int(str(rows.index[0])),
                f"session {session} has {n_loads} loads; a session holds {most}",
                "move a load to another session, or correct budget.session_loads",
            )


def _tile_findings(tiles: pd.DataFrame) -> Iterator[Finding]:
    for row in tiles.index[tiles.duplicated(["tile", "load"])]:
        code, load = tiles.loc[row, "tile"], tiles.loc[row, "load"]
        yield _finding("tile-twice", int(row), f"tile {code} stands twice in load {load}")
    expected = list(range(1, len(tiles) + 1))
    if sorted(tiles["order"]) != expected:
        yield _finding(
            "plan-order",
            None,
            f"order does not count from 1 to {len(tiles)}, each number once",
            "number the rows in firing order",
        )
    fixed = ["mesh", "layers", "base"]
    for code, rows in tiles.groupby("tile", sort=False):
        if len(rows[fixed].drop_duplicates()) > 1:
            yield _finding(
                "tile-settings",
                int(str(rows.index[-1])),
                f"tile {code!s} has two mixes of mesh, layers and base",
                "a tile fired again keeps its powder: correct the row",
            )


def _setting_findings(series: FiringSeries, tiles: pd.DataFrame) -> Iterator[Finding]:
    own = tiles[tiles["role"] != "control"]
    names: tuple[FactorName, ...] = ("mesh", "base")
    for name in names:
        levels = series.factors.levels(name)
        for row, value in own.loc[~own[name].isin(list(levels)), name].items():
            known = ", ".join(str(level) for level in levels)
            yield _finding(
                f"unknown-{name}",
                int(str(row)),
                f"{name} {value} is not in the series: {known}",
            )
    for row, degC in tiles["temperature_degC"].items():
        doubt = implausible_temperature(float(degC), "degC")
        if doubt:
            yield _finding("temperature", int(str(row)), *doubt)
        elif float(degC) > series.hottest_degC:
            yield _finding(
                "too-hot-for-metal",
                int(str(row)),
                f"{format_temperature(float(degC))} is above "
                f"{format_temperature(series.hottest_degC)}, the hottest for "
                f"{series.blank.metal}",
            )
    for broken, rule in broken_rules(series, own):
        yield _finding("forbidden", broken, f"breaks the rule: {rule}")


def _budget_findings(
    series: FiringSeries, tiles: pd.DataFrame, plan: Plan
) -> Iterator[Finding]:
    time_h = kiln_hours(series, tiles, plan.preparation)
    for need in budget_needs(series, tiles, time_h):
        if need.short:
            yield _finding(
                "over-budget",
                None,
                str(need),
                f"raise {need.key} in series.toml, or plan fewer tiles",
            )
