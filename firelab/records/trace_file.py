"""Kiln readings over time: ``traces/*.csv`` with ``time_s, temperature_degC``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firelab.arrays import FloatArray
from firelab.craft.units import to_degC
from firelab.errors import FaultyFile, Finding
from firelab.records.tables import decode, parse_table
from firelab.series.folder import trace_files

TRACE_COLUMNS = ("time_s", "temperature_degC")
COLDEST_DEGC, HOTTEST_DEGC = -20.0, 1300.0
"""Readings outside are not of an enamel kiln (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KilnTrace:
    """Readings of a kiln.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Strictly increasing.
    temperature_degC : ndarray, shape (n,)
    """

    time_s: FloatArray
    temperature_degC: FloatArray

    def course(self, time_s: FloatArray) -> FloatArray:
        """Return the temperature so long after the first reading, degC."""
        since = self.time_s - self.time_s[0]
        return np.asarray(np.interp(time_s, since, self.temperature_degC))


def _count_trace_columns(header: Sequence[str]) -> int:
    return sum(name in TRACE_COLUMNS for name in header)


def read_traces(folder: str | Path) -> dict[int, KilnTrace]:
    """Return the traces of a series folder by load: ``load-3.csv`` is of load 3.

    A file of another name is of no load, and is left alone.

    Raises
    ------
    FaultyFile
        With every fault of every trace.
    """
    found: dict[int, KilnTrace] = {}
    findings: list[Finding] = []
    for load, path in sorted(trace_files(folder).items()):
        try:
            found[load] = read_trace(path)
        except FaultyFile as fault:
            findings += fault.findings
    if findings:
        raise FaultyFile(findings)
    return found


def read_trace(path: str | Path) -> KilnTrace:
    """Read a trace.

    Raises
    ------
    FaultyFile
        With every fault found, each with its line.
    """
    file = f"{Path(path).parent.name}/{Path(path).name}"
    table = parse_table(decode(Path(path).read_bytes(), file), file, _count_trace_columns)
    missing = [name for name in TRACE_COLUMNS if name not in table.header.cells]
    if missing:
        hint = f"name the columns {', '.join(TRACE_COLUMNS)}"
        line = table.header.line
        raise FaultyFile(
            _finding(file, line, 0, "missing-column", f"column {name} is missing", hint)
            for name in missing
        )
    places = [table.header.cells.index(name) for name in TRACE_COLUMNS]
    findings: list[Finding] = []
    readings: list[tuple[float, float]] = []
    for row in table.rows:
        time_s, degC = (_number(row.cells, place) for place in places)
        found = _row_findings(file, row.line, (time_s, degC), readings)
        findings += found
        if not found:
            readings.append((time_s, degC))
    if len(readings) < 2 and not findings:
        message = f"holds {len(readings)} readings, fewer than 2"
        findings.append(
            _finding(file, 0, 0, "short-trace", message, "record the whole firing")
        )
    if findings:
        raise FaultyFile(findings)
    time_s, temperature_degC = np.array(readings, dtype=float).T
    return KilnTrace(time_s=time_s, temperature_degC=temperature_degC)


def _number(cells: tuple[str, ...], place: int) -> float:
    try:
        return float(cells[place].replace(",", "."))
    except (ValueError, IndexError):
        return math.nan


def _row_findings(
    file: str, line: int, reading: tuple[float, float], before: list[tuple[float, float]]
) -> list[Finding]:
    time_s, degC = reading
    findings = [
        _finding(
            file, line, place, "not-a-number", f"{name} is not a number", "write it plainly"
        )
        for place, (name, number) in enumerate(zip(TRACE_COLUMNS, reading, strict=True), 1)
        if not math.isfinite(number)
    ]
    if findings:
        return findings
    if before and time_s <= before[-1][0]:
        message = f"{time_s:g} s follows {before[-1][0]:g} s"
        hint = "sort the readings by time"
        findings.append(_finding(file, line, 1, "time-backwards", message, hint))
    if not COLDEST_DEGC <= degC <= HOTTEST_DEGC:
        message = (
            f"{degC:g} degC is outside {COLDEST_DEGC:g} to {HOTTEST_DEGC:g} degC; "
            f"read as degF it is {to_degC(degC):.0f} degC"
        )
        hint = "write the readings in degC"
        findings.append(_finding(file, line, 2, "impossible-temperature", message, hint))
    return findings


def _finding(
    file: str, line: int, column: int, code: str, message: str, hint: str
) -> Finding:
    return Finding(
        code=code, file=file, line=line, column=column, message=message, hint=hint
    )
