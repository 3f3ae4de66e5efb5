"""What a plan does that its series forbids, each with its line of plan.csv."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from firelab.craft.units import format_temperature, implausible_temperature
from firelab.errors import Finding
from firelab.plan.plan import Plan
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import budget_needs
from firelab.plan.tile_history import broken_rules
from firelab.series.factors import FactorName, same_temperature
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import PLAN_TABLE

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
