"""Rows to be added to a plan: new tiles, and tiles that are fired on."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.craft.units import format_duration, format_temperature
from firelab.errors import FirelabError
from firelab.plan.settings_frame import SETTING_COLUMNS
from firelab.plan.tile_history import broken_rules
from firelab.series.firing_series import FiringSeries

IntArray = NDArray[np.int64]

KEPT = ("mesh", "layers", "base")
"""What a tile that is fired on keeps."""
_SAME_DEGC = 0.011


def added_rows(
    series: FiringSeries, old: pd.DataFrame, settings: pd.DataFrame
) -> pd.DataFrame:
    """Return the settings to be added, judged, with their ``tile`` spelt as planned.

    Parameters
    ----------
    series : FiringSeries
        Its rules and places.
    old : DataFrame
        Rows of the plan that stands.
    settings : DataFrame
        See ``extend_plan``.

    Returns
    -------
    DataFrame
        Rows renumbered; ``tile`` is "" for a new tile.

    Raises
    ------
    FirelabError
        With every fault of every row.
    """
    rows = settings.reset_index(drop=True)
    if not len(rows):
        raise FirelabError("there is no setting to add to the plan")
    missing = [name for name in SETTING_COLUMNS if name not in rows]
    if missing:
        raise FirelabError(f"the settings to be added lack the column {', '.join(missing)}")
    codes = rows["tile"] if "tile" in rows else pd.Series("", index=rows.index)
    spelt = ["".join(str(code).split()).upper() for code in codes.fillna("")]
    rows = rows.assign(tile=pd.Series(spelt, index=rows.index, dtype="object"))
    faults = [
        *_tile_faults(old, rows),
        *_load_faults(series, rows),
        *_rule_faults(series, old, rows),
    ]
    if faults:
        raise FirelabError(
            "; ".join(faults),
            "settings to be added:",
            "mend or leave out these rows; nothing was added",
        )
    return rows


def load_column(rows: pd.DataFrame) -> str | None:
    """Return the column that names the loads, if there is one."""
    return next((name for name in ("plot", "load") if name in rows), None)


def chained_loads(rows: pd.DataFrame, loads: IntArray) -> IntArray | None:
    """Return which loads must follow one another, or None where none must.

    Loads that fire one tile do: the second finds what the first did.

    Parameters
    ----------
    rows : DataFrame, n rows
        As `added_rows` gives them.
    loads : ndarray of int, shape (n,)

    Returns
    -------
    ndarray of int, shape (n,), or None
        Rows whose loads belong together share a number.
    """
    chain, is_chained = loads.copy(), False
    for _, places in rows[rows["tile"] != ""].groupby("tile").indices.items():
        joined = np.unique(chain[places])
        is_chained |= len(joined) > 1
        chain[np.isin(chain, joined)] = joined[0]
    return chain if is_chained else None


def _tile_faults(old: pd.DataFrame, rows: pd.DataFrame) -> Iterator[str]:
    once = old.drop_duplicates("tile").to_dict("records")
    planned = {row["tile"]: row for row in once}
    for place, row in enumerate(rows.to_dict("records"), start=1):
        code = row["tile"]
        if not code:
            continue
        stands = planned.get(code)
        if stands is None:
            yield f"row {place}: tile {code} is not in the plan"
        elif stands["role"] == "control":
            yield f"row {place}: tile {code} is a control tile, fired at its own setting"
        else:
            other = [name for name in KEPT if row[name] != stands[name]]
            given, right = (
                ", ".join(f"{name} {one[name]}" for name in other) for one in (row, stands)
            )
            if other:
                yield f"row {place}: tile {code} has {given} here and {right} in the plan"


def _load_faults(series: FiringSeries, rows: pd.DataFrame) -> Iterator[str]:
    name, fired_on = load_column(rows), rows[rows["tile"] != ""]
    if name is None:
        twice = fired_on.loc[fired_on["tile"].duplicated(), "tile"].unique()
        for code in twice:
            yield (
                f"tile {code} stands in several rows, and no column load says in which "
                "order it is fired"
            )
        return
    if rows[name].isna().any():
        yield f"{name} is blank in some rows"
        return
    for load, here in rows.groupby(name, sort=True):
        heat = here["temperature_degC"]
        if heat.max() - heat.min() > _SAME_DEGC:
            both = " and ".join(format_temperature(t) for t in (heat.min(), heat.max()))
            yield f"{name} {load} is at {both}; a load has one temperature"
        if len(here) > series.budget.places:
            yield f"{name} {load} holds {len(here)} tiles of {series.budget.places} places"
        codes = here.loc[here["tile"] != "", "tile"]
        for code in codes[codes.duplicated()].unique():
            yield f"tile {code} stands twice in {name} {load}"
    yield from _chain_faults(series, rows, name)


def _chain_faults(series: FiringSeries, rows: pd.DataFrame, name: str) -> Iterator[str]:
    holds = series.budget.session_loads
    if holds is not None and series.plan.control is not None:
        holds -= 1  # the control tile may need a load of its own
    named = rows[name].to_numpy()
    chain = chained_loads(rows, np.unique(named, return_inverse=True)[1].astype(np.int64))
    if chain is None or holds is None:
        return
    for number in np.unique(chain):
        loads = np.unique(named[chain == number])
        if len(loads) > holds:
            said = ", ".join(str(load) for load in loads)
            yield f"{name}s {said} share tiles, and a session holds {holds} loads of tests"


def _rule_faults(
    series: FiringSeries, old: pd.DataFrame, rows: pd.DataFrame
) -> Iterator[str]:
    name, last = load_column(rows), int(old["order"].max())
    turn = rows[name].rank(method="first") if name else rows.index.to_series() + 1
    code = rows["tile"].where(rows["tile"] != "", "new " + rows.index.astype("str"))
    own = old[old["role"] != "control"]
    added = rows.assign(order=last + turn, tile=code)
    written = rows.to_dict("records")
    for place, rule in broken_rules(series, pd.concat([own, added], ignore_index=True)):
        row = place - len(own)
        if row >= 0:
            heat = format_temperature(float(written[row]["temperature_degC"]))
            dwell = format_duration(float(written[row]["dwell_s"]))
            yield f"row {row + 1}: {heat}, {dwell} is forbidden by the rules: {rule}"
