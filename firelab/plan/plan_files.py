"""plan.csv and plan.json: written together, read back equal."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from firelab.craft.tile_codes import tile_index
from firelab.errors import FaultyFile, Finding, FirelabError, quoted
from firelab.plan.plan import (
    PLAN_DTYPES,
    ROLES,
    SCHEMA,
    SEQUENTIAL,
    Plan,
    PlannedPreparation,
)
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    INVENTED,
    PLAN_FILE,
    PLAN_TABLE,
    SERIES_FILE,
    FaultyJson,
    Provenance,
    json_text,
    read_json,
    sha256_of,
    write_atomically,
)

_MAKE_ANEW = "make it anew with: firelab plan"
_NOTE = "note"


def plan_table_text(plan: Plan, *, invented: bool = False) -> str:
    """Return the content of ``plan.csv``.

    An invented plan carries one column more, ``note``, that says so in every row.
    """
    frame = plan.table
    if invented:
        frame[_NOTE] = INVENTED
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(frame.columns)
    for row in frame.itertuples(index=False, name=None):
        writer.writerow(f"{v:.10g}" if isinstance(v, float) else v for v in row)
    return text.getvalue()


def write_plan(plan: Plan, folder: str | Path, *, invented: bool = False) -> None:
    """Write ``plan.csv`` and ``plan.json`` to a series folder.

    Parameters
    ----------
    plan : Plan
        To be written; one that names no series.toml is written as of this folder's.
    folder : str or Path
        The series folder.
    invented : bool, default False
        Mark both files as invented demonstration data.

    Examples
    --------
    >>> import firelab
    >>> folder = firelab.start_demo()
    >>> plan = firelab.make_plan(firelab.read_series(folder))
    >>> firelab.write_plan(plan, folder)
    """
    base = Path(folder)
    if not plan.provenance.series_hash and (base / SERIES_FILE).is_file():
        made = replace(plan.provenance, series_hash=sha256_of(base / SERIES_FILE))
        plan = replace(plan, provenance=made)
    # Both texts first: what cannot be written must not leave one of two files.
    table = plan_table_text(plan, invented=invented)
    figures = json_text(plan.to_dict(invented=invented))
    write_atomically(base / PLAN_TABLE, table)
    write_atomically(base / PLAN_FILE, figures)


def read_plan(folder: str | Path, series: FiringSeries) -> Plan:
    """Read the plan of a series folder.

    Only what cannot be read is refused here; what a plan does wrong, such as a
    load with two temperatures, is told by ``plan_findings``.

    Parameters
    ----------
    folder : str or Path
        The series folder.
    series : FiringSeries
        Not used to judge the plan; it fixes the types of its columns.

    Raises
    ------
    FirelabError
        If there is no plan.
    FaultyFile
        With every fault of the two files, each with its line.

    Examples
    --------
    >>> import firelab
    >>> folder = firelab.start_demo()
    >>> firelab.read_plan(folder, firelab.read_series(folder)).n_tiles
    30
    """
    base = Path(folder)
    for name in (PLAN_TABLE, PLAN_FILE):
        if not (base / name).is_file():
            raise FirelabError(
                f"there is no {name}",
                str(base),
                f"make it with: firelab plan {quoted(base)}",
            )
    tiles, findings = _read_table(base / PLAN_TABLE)
    stored, damage = _read_json(base / PLAN_FILE)
    findings += damage
    if not findings and tiles.empty and stored.get("kind") != SEQUENTIAL:
        findings.append(_finding("plan-empty", PLAN_TABLE, 1, 1, "holds no tile"))
    if findings:
        raise FaultyFile(findings)
    try:
        return Plan(
            tiles=tiles,
            kind=stored["kind"],
            preparation=tuple(
                PlannedPreparation(**{**step, "tiles": tuple(step["tiles"])})
                for step in stored["preparation"]
            ),
            figures=stored["figures"],
            powder_g=stored["powder_g"],
            time_h=stored["time_h"],
            notes=tuple(stored["notes"]),
            provenance=Provenance(**stored["provenance"]),
            reads=series.kiln.reads,
            places=series.budget.places,
        )
    except (KeyError, TypeError) as fault:
        raise FaultyFile(
            [_finding("plan-damaged", PLAN_FILE, 0, 0, f"lacks or misnames {fault}")]
        ) from None


def _finding(
    code: str, file: str, line: int, column: int, message: str, hint: str = _MAKE_ANEW
) -> Finding:
    return Finding(
        code=code, file=file, line=line, column=column, message=message, hint=hint
    )


def _read_json(path: Path) -> tuple[dict[str, Any], list[Finding]]:
    try:
        stored = read_json(path.read_bytes(), path.name)
    except FaultyJson as fault:
        return {}, [_finding("plan-json", path.name, fault.line, fault.column, fault.what)]
    found = stored.get("schema") if isinstance(stored, dict) else None
    if found != SCHEMA:
        message = f"has schema {found!r}, not {SCHEMA!r}"
        return {}, [_finding("plan-schema", path.name, 1, 1, message)]
    return stored, []


def _read_table(path: Path) -> tuple[pd.DataFrame, list[Finding]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        return pd.DataFrame(), [
            _finding("plan-table", path.name, 0, 0, "is not UTF-8 text")
        ]
    reader = csv.reader(io.StringIO(text))
    header = [name.strip() for name in next(reader, [])]
    missing = [name for name in PLAN_DTYPES if name not in header]
    if missing:
        message = f"lacks the column {', '.join(missing)}"
        return pd.DataFrame(), [_finding("plan-column", path.name, 1, 1, message)]
    rows, findings = [], []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        row, faults = _read_row(header, cells, reader.line_num, path.name)
        rows.append(row)
        findings += faults
    if findings:
        return pd.DataFrame(), findings
    columns = {
        name: pd.Series([row[name] for row in rows], dtype=dtype)
        for name, dtype in PLAN_DTYPES.items()
    }
    return pd.DataFrame(columns), []


def _read_row(
    header: list[str], cells: list[str], line: int, file: str
) -> tuple[dict[str, Any], list[Finding]]:
    if len(cells) != len(header):
        message = f"has {len(cells)} cells under {len(header)} column names"
        return {}, [_finding("plan-row", file, line, 1, message)]
    row: dict[str, Any] = {}
    findings = []
    for name, cell in zip(header, cells, strict=True):
        if name not in PLAN_DTYPES:
            continue
        try:
            row[name] = _read_cell(name, cell.strip())
        except (ValueError, FirelabError) as fault:
            what = fault.what if isinstance(fault, FirelabError) else str(fault)
            column = header.index(name) + 1
            findings.append(_finding("plan-cell", file, line, column, f"{name}: {what}"))
    return row, findings


def _read_cell(name: str, cell: str) -> Any:
    dtype = PLAN_DTYPES[name]
    if name == "tile":
        tile_index(cell)
        return "".join(cell.split()).upper()
    if name == "role" and cell not in ROLES:
        raise ValueError(f"{cell!r} is not a role: {', '.join(ROLES)}")
    if dtype == "str":
        if not cell:
            raise ValueError("is empty")
        return cell
    try:
        number = float(cell)
    except ValueError:
        raise ValueError(f"{cell!r} is not a number") from None
    if dtype == "float64" and number == number and abs(number) != float("inf"):
        return number
    if dtype == "int64" and number.is_integer():
        return int(number)
    raise ValueError(f"{cell!r} is not a {'whole ' if dtype == 'int64' else ''}number")
