"""The firing log of a folder: read, checked, and joined to the plan.

``firings.csv`` holds the contract's twelve columns, one row per look. Rows are
added and never edited: a correction is a further row that supersedes. The
twelve columns cannot say so; firelab therefore writes more behind them (see
`KEPT_COLUMNS` of `firelab.records.look`). They are optional: a log with the
twelve alone is read just as well.
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from firelab.errors import FaultyFile, Finding, RecordsInsufficient, quoted
from firelab.plan.plan import Plan
from firelab.plan.plan_files import read_plan
from firelab.records.journal import read_journal
from firelab.records.log_columns import count_known
from firelab.records.look import CONFIRMATION, HEADER_TEXT, LOST, Look, rows_text
from firelab.records.look_checks import standing_looks
from firelab.records.look_rows import read_looks
from firelab.records.planned_firings import PlannedFirings, planned_firings
from firelab.records.records import FIRING_COLUMNS, Records
from firelab.records.tables import decode, parse_table
from firelab.records.trace_file import read_traces
from firelab.records.what_changed import record_parts
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIRINGS_FILE,
    PLAN_TABLE,
    Provenance,
    sha256_of,
    versions,
)
from firelab.series.series_file import read_series, series_hash
from firelab.series.what_matters import series_parts


@dataclass(frozen=True, slots=True, kw_only=True)
class FiringLog:
    """A firing log as it stands.

    Attributes
    ----------
    rows : tuple of Look
        Every row without a fault, in order.
    standing : tuple of Look
        Those that no later row supersedes.
    findings : tuple of Finding
    torn : bytes
        A last line cut off while it was written; it was never acknowledged.
    digest : str
        SHA-256 of the very bytes that were read; empty where there is no file.
    """

    rows: tuple[Look, ...] = ()
    standing: tuple[Look, ...] = ()
    findings: tuple[Finding, ...] = ()
    torn: bytes = b""
    digest: str = ""


def _parse_log(raw: bytes, series: FiringSeries, planned: PlannedFirings) -> FiringLog:
    """Read a firing log from its bytes; all faults are in ``findings``."""
    if not raw.strip():
        return FiringLog()
    try:
        table = parse_table(decode(raw, FIRINGS_FILE), FIRINGS_FILE, count_known)
    except FaultyFile as fault:
        return FiringLog(findings=fault.findings)
    read = read_looks(table, series, planned, is_log=True)
    stands = standing_looks(read.looks)
    findings = sorted(
        (*read.findings, *stands.findings), key=lambda one: (one.line, one.column)
    )
    return FiringLog(rows=read.looks, standing=stands.looks, findings=tuple(findings))


def read_log(
    folder: str | Path, series: FiringSeries, planned: PlannedFirings
) -> FiringLog:
    """Read the firing log of a folder; an empty one where there is no file."""
    whole, torn = read_journal(folder)
    log = _parse_log(whole, series, planned)
    digest = hashlib.sha256(whole + torn).hexdigest() if whole or torn else ""
    return replace(log, torn=torn, digest=digest)


def own_form(raw: bytes, series: FiringSeries, planned: PlannedFirings) -> str:
    """Rewrite a faultless log as firelab writes it itself."""
    return HEADER_TEXT + rows_text(_parse_log(raw, series, planned).rows)


def read_planned_log(folder: str | Path) -> tuple[FiringSeries, Plan, FiringLog]:
    """Return series, plan and log of a folder, losses among the rows that stand.

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
    return series, plan, log


def read_firings(folder: str | Path) -> Records:
    """Return the looks of a series that stand, joined to what was planned.

    Parameters
    ----------
    folder : str or Path
        The series folder, with ``series.toml``, ``plan.csv`` and
        ``firings.csv``.

    Returns
    -------
    Records
        Superseded looks are left out; blank temperatures and dwells are the
        planned ones.

    Raises
    ------
    FaultyFile
        With every fault of ``firings.csv`` (or of the series, the plan, or the traces).
    RecordsInsufficient
        If no look is recorded.

    Examples
    --------
    >>> import firelab
    >>> len(firelab.read_firings(firelab.start_demo()).table)
    30
    """
    records = read_so_far(folder)
    if records.looks.empty:
        first = f"firelab next {quoted(folder)}"
        raise RecordsInsufficient(
            "no look is recorded",
            str(Path(folder) / FIRINGS_FILE),
            f"what to fire first: {first}"
            if records.plan.is_sequential
            else f"add looks with: firelab record looks.csv {quoted(folder)}",
        )
    return records


def read_so_far(folder: str | Path) -> Records:
    """Return the looks that stand as `read_firings` does, none where there are none yet.

    Raises
    ------
    FaultyFile
        With every fault of ``firings.csv`` (or of the series, the plan, or the traces).
    """
    series, plan, log = read_planned_log(folder)
    seen = tuple(one for one in log.standing if LOST not in one.change)
    plan_digest = sha256_of(Path(folder) / PLAN_TABLE)
    sources = {PLAN_TABLE: plan_digest, FIRINGS_FILE: log.digest}
    if series.priors.learned is not None:
        sources[series.priors.history] = series.priors.learned.sha256
    provenance = Provenance(
        series_hash=series_hash(folder),
        seed=series.seed,
        versions=versions(),
        sources=sources,
        parts={**series_parts(series), **record_parts(folder)},
    )
    lost = {one.tile for one in log.standing if LOST in one.change}
    return Records(
        series=series,
        plan=plan,
        looks=looks_frame(seen, series, plan),
        provenance=provenance,
        lost=frozenset(lost),
        traces=read_traces(folder),
    )


_LOOK_DTYPES: dict[str, Any] = {
    "tile": "str",
    "look": "int64",
    "session": "int64",
    "load": "int64",
    "temperature_degC": "float64",
    "dwell_s": "float64",
    "transparency": "float64",
    **{name: "str" for name in ("observer", "fired_at", "defects", "note")},
}


def looks_frame(looks: tuple[Look, ...], series: FiringSeries, plan: Plan) -> pd.DataFrame:
    """Return looks as the frame of `Records`, joined to their planned settings."""
    planned = planned_firings(plan)
    cells: dict[str, Any] = {
        name: [getattr(one, name) for one in looks] for name in FIRING_COLUMNS
    }
    for name in ("temperature_degC", "dwell_s"):
        cells[name] = _as_read_or_planned(looks, planned, name)
    for name, dtype in _LOOK_DTYPES.items():
        cells[name] = pd.Series(cells[name], dtype=dtype)
    cells["stage"] = pd.Categorical(
        [one.stage or None for one in looks],
        categories=list(series.responses.stage.grades),
        ordered=True,
    )
    frame = pd.DataFrame(cells)
    stood = {(one.tile, one.look): one.place for one in looks if one.place}
    if stood:
        frame["rack_place"] = [stood.get((one.tile, one.look)) for one in looks]
    if any(CONFIRMATION in one.change for one in looks):
        frame["confirmed"] = [CONFIRMATION in one.change for one in looks]
    once = plan.tiles.drop_duplicates("tile").set_index("tile")
    names = ["mesh", "grain_um", "layers", "base", "role"]
    settings = once[names].reindex(frame["tile"])
    for name in names:
        frame[name] = settings[name].to_numpy()
    frame["total_dwell_s"] = _total_dwell(frame)
    return frame


def _as_read_or_planned(
    looks: tuple[Look, ...], planned: PlannedFirings, name: str
) -> list[float]:
    """Return what was read; else what another observer read; else what was planned."""
    read: dict[tuple[str, int], float] = {}
    for one in looks:
        if getattr(one, name) is not None:
            read.setdefault((one.tile, one.look), getattr(one, name))
    filled = []
    for one in looks:
        value = getattr(one, name)
        if value is None:
            value = read.get((one.tile, one.look))
        if value is None:
            firing = planned.firing(one.tile, one.look)
            load = planned.loads[one.load]
            value = getattr(load if name == "temperature_degC" else firing, name)
        filled.append(float(value))
    return filled


def _total_dwell(frame: pd.DataFrame) -> list[float]:
    """Sum the dwell of each tile's firings up to each look, each firing once."""
    keys = list(zip(frame["tile"], frame["look"].tolist(), strict=True))
    firings: dict[tuple[str, int], float] = {}
    for key, dwell in zip(keys, frame["dwell_s"].tolist(), strict=True):
        firings.setdefault(key, dwell)
    so_far, total = defaultdict[str, float](float), {}
    for tile, look in sorted(firings):
        so_far[tile] += firings[tile, look]
        total[tile, look] = so_far[tile]
    return [total[key] for key in keys]


_REPLACES = "Replaces lost tiles: "


def lost_settings(plan: Plan, standing: Iterable[Look]) -> pd.DataFrame:
    """Return the first planned firing of each test tile that was lost and never graded.

    Parameters
    ----------
    plan : Plan
        Its notes name the tiles that were replaced already.
    standing : iterable of Look
    """
    looks = tuple(standing)
    lost = {one.tile for one in looks if LOST in one.change}
    seen = {one.tile for one in looks if LOST not in one.change and one.stage}
    notes = (
        note.removeprefix(_REPLACES) for note in plan.notes if note.startswith(_REPLACES)
    )
    replaced = {code for note in notes for code in re.split(r"[,.\s]+", note)}
    first = plan.table.sort_values("order").drop_duplicates("tile")
    wanted = first["tile"].isin(lost - seen - replaced) & (first["role"] != "control")
    return first[wanted].reset_index(drop=True)


def replacement_note(tiles: Iterable[str]) -> str:
    """Return the note of a plan by which `lost_settings` knows what was replaced."""
    return f"{_REPLACES}{', '.join(tiles)}."
