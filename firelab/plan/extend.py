"""More firings for a plan that stands: new tiles, and tiles that are fired on."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from firelab.arrays import IntArray
from firelab.craft.tile_codes import tile_index
from firelab.craft.units import format_duration, format_temperature
from firelab.errors import FirelabError
from firelab.plan.draft import assemble_plan, name_tiles, schedule_with_controls
from firelab.plan.kinds.kind import Proposal
from firelab.plan.plan import CARRIED, PLAN_DTYPES, SETTING_COLUMNS, Plan
from firelab.plan.plan_files import read_plan
from firelab.plan.plan_rows import broken_rules, with_rows
from firelab.plan.schedule import group_into_loads
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries, with_part
from firelab.series.folder import PLAN_TABLE, Provenance, versions
from firelab.series.series_file import read_series, series_hash
from firelab.series.what_matters import series_parts

KEPT = ("mesh", "layers", "base")
"""What a tile that is fired on keeps."""


def _added_rows(
    series: FiringSeries, old: pd.DataFrame, settings: pd.DataFrame
) -> pd.DataFrame:
    """Return the settings to be added, judged, with their ``tile`` spelt as planned."""
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


def _load_column(rows: pd.DataFrame) -> str | None:
    """Return the column that names the loads, if there is one."""
    return next((name for name in ("plot", "load") if name in rows), None)


def _chained_loads(rows: pd.DataFrame, loads: IntArray) -> IntArray | None:
    """Return which loads must follow one another, or None where none must.

    Loads that fire one tile do: the second finds what the first did.
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
    name, fired_on = _load_column(rows), rows[rows["tile"] != ""]
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
        if not same_temperature(heat.max(), heat.min()):
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
    chain = _chained_loads(rows, np.unique(named, return_inverse=True)[1].astype(np.int64))
    if chain is None or holds is None:
        return
    for number in np.unique(chain):
        loads = np.unique(named[chain == number])
        if len(loads) > holds:
            names = ", ".join(str(load) for load in loads)
            yield f"{name}s {names} share tiles, and a session holds {holds} loads of tests"


def _rule_faults(
    series: FiringSeries, old: pd.DataFrame, rows: pd.DataFrame
) -> Iterator[str]:
    name, last = _load_column(rows), _last(old, "order")
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


def _schedule(
    series: FiringSeries,
    wanted: pd.DataFrame,
    old: pd.DataFrame,
    rng: np.random.Generator,
    *,
    same_session: bool,
) -> pd.DataFrame:
    """Return the new rows, sessions, loads and order numbered on from the old.

    Where the last session goes on, its control tile has been fired already.
    """
    # Dealt even where loads are named: what is drawn afterwards stays what it was.
    loads = group_into_loads(
        wanted, places=series.budget.places, most_loads=None, rng=rng, apart=False
    )
    if _load_column(wanted) == "load":
        loads = _named_loads(wanted)
    chain = _chained_loads(wanted, loads)
    if chain is not None:
        wanted = wanted.assign(climb=chain)
    goes_on = same_session and has_room(series, old, np.unique(loads).size)
    if goes_on:
        series = with_part(series, "plan", control=None)
    fired = schedule_with_controls(series, wanted, loads, order_rng=rng, control_rng=rng)
    return _numbered_on(fired, old, rng=rng, goes_on=goes_on)


def _numbered_on(
    fired: pd.DataFrame,
    old: pd.DataFrame,
    *,
    rng: np.random.Generator,
    goes_on: bool = False,
) -> pd.DataFrame:
    """Return new rows with session, load, order and codes that go on from the old."""
    after = {name: _last(old, name) for name in ("session", "load", "order")}
    after["session"] -= int(goes_on)
    first = 1 + max((tile_index(code) for code in old["tile"]), default=-1)
    moved = {name: fired[name] + last for name, last in after.items()}
    return name_tiles(fired.assign(**moved), rng=rng, first=first)


def _named_loads(wanted: pd.DataFrame) -> IntArray:
    """Return the loads that a column names, numbered from 0 as dealt ones are."""
    loads = np.unique(wanted["load"].to_numpy(), return_inverse=True)[1].astype(np.int64)
    if _chained_loads(wanted, loads) is not None:
        return loads
    keys = pd.DataFrame({"degC": wanted["temperature_degC"], "load": loads})
    return np.asarray(keys.groupby(["degC", "load"], sort=True).ngroup(), dtype=np.int64)


def has_room(series: FiringSeries, old: pd.DataFrame, n_loads: int) -> bool:
    """Tell whether the last session of a plan can hold further loads."""
    holds = series.budget.session_loads
    if not len(old) or holds is None:
        return bool(len(old))
    last = old[old["session"] == old["session"].max()]
    return int(last["load"].nunique()) + n_loads <= holds


def _last(rows: pd.DataFrame, column: str) -> int:
    return int(rows[column].max()) if len(rows) else 0


def extend_plan(
    series: FiringSeries,
    plan: Plan,
    settings: pd.DataFrame,
    *,
    note: str = "",
    rng: np.random.Generator | None = None,
    same_session: bool = False,
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
    same_session : bool, default False
        Fire them in the last session instead, where it has room for their loads.

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

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> again = records.plan.table.head(2).drop(columns="tile")
    >>> firelab.extend_plan(records.series, records.plan, again).n_tiles
    32
    """
    old = plan.table
    wanted = _added_rows(series, old, settings)
    if rng is None:
        rng = np.random.default_rng([plan.provenance.seed, len(plan.tiles)])
    new = _schedule(series, wanted, old, rng, same_session=same_session)
    return with_rows(series, plan, new, note=note)


def plan_chosen_tiles(folder: str | Path, tiles: pd.DataFrame, *, note: str) -> Plan:
    """Return the folder's plan with chosen tiles, each in a load of its own.

    Parameters
    ----------
    folder : str or Path
        With a plan, which is kept and numbered on, or without.
    tiles : DataFrame, n rows
        Factor columns of plan.csv, and ``is_control``.
    note : str
        Why these tiles, for the plan.

    Raises
    ------
    FirelabError
        If the plan cannot be read.
    """
    series = read_series(folder)
    has_plan = (Path(folder) / PLAN_TABLE).is_file()
    plan = read_plan(folder, series) if has_plan else None
    before = plan.table if plan else pd.DataFrame(columns=list(PLAN_DTYPES))
    # In random order, so that a drift of the kiln is not taken for its temperature.
    rng = np.random.default_rng([series.seed, len(before)])
    tiles = tiles.iloc[rng.permutation(len(tiles))].reset_index(drop=True)
    number = np.arange(1, len(tiles) + 1)
    fired = tiles.assign(session=1, load=number, order=number)
    rows = _numbered_on(fired, before, rng=rng)
    if plan is not None:
        return with_rows(series, plan, rows, note=note)
    provenance = Provenance(
        series_hash=series_hash(folder),
        seed=series.seed,
        versions=versions(),
        sources={},
        parts=series_parts(series),
    )
    proposal = Proposal(settings=tiles, notes=(note,))
    return assemble_plan(
        series, rows, kind=CARRIED, proposal=proposal, provenance=provenance
    )
