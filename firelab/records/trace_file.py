"""Kiln readings over time: ``traces/*.csv`` with ``time_s, temperature_degC``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from firelab.craft.units import to_degC
from firelab.errors import FaultyFile, Finding
from firelab.records.tables import TextTable, decode, parse_table

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

    time_s: NDArray[np.float64]
    temperature_degC: NDArray[np.float64]


def _count_trace_columns(header: Sequence[str]) -> int:
    return sum(name in TRACE_COLUMNS for name in header)


def read_trace(path: str | Path) -> KilnTrace:
    """Read a trace.

    Raises
    ------
    FaultyFile
        With every fault found, each with its line.
    """
    file = f"{Path(path).parent.name}/{Path(path).name}"
    table = parse_table(decode(Path(path).read_bytes(), file), file, _count_trace_columns)
    findings: list[Finding] = []
    places = [
        table.header.cells.index(name) if name in table.header.cells else -1
        for name in TRACE_COLUMNS
    ]
    for name, place in zip(TRACE_COLUMNS, places, strict=True):
        if place < 0:
            findings.append(
                _finding(
                    table,
                    table.header.line,
                    0,
                    "missing-column",
                    f"column {name} is missing",
                    f"name the columns {', '.join(TRACE_COLUMNS)}",
                )
            )
    if findings:
        raise FaultyFile(findings)
    readings: list[tuple[float, float]] = []
    for row in table.rows:
        numbers = [_number(row.cells, place) for place in places]
        found = _row_findings(table, row.line, numbers, readings)
        findings += found
        if not found:
            readings.append((numbers[0], numbers[1]))
    if len(readings) < 2 and not findings:
        findings.append(
            _finding(
                table,
                0,
                0,
                "short-trace",
                f"holds {len(readings)} readings, fewer than 2",
                "record the whole firing",
            )
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
    table: TextTable, line: int, numbers: list[float], before: list[tuple[float, float]]
) -> list[Finding]:
    time_s, temperature_degC = numbers
    findings = [
        _finding(
            table,
            line,
            place,
            "not-a-number",
            f"{name} is not a number",
            "write it plainly",
        )
        for place, (name, number) in enumerate(zip(TRACE_COLUMNS, numbers, strict=True), 1)
        if not math.isfinite(number)
    ]
    if findings:
        return findings
    if before and time_s <= before[-1][0]:
        findings.append(
            _finding(
                table,
                line,
                1,
                "time-backwards",
                f"{time_s:g} s follows {before[-1][0]:g} s",
                "sort the readings by time",
            )
        )
    if not COLDEST_DEGC <= temperature_degC <= HOTTEST_DEGC:
        findings.append(
            _finding(
                table,
                line,
                2,
                "impossible-temperature",
                f"{temperature_degC:g} degC is outside {COLDEST_DEGC:g} to "
                f"{HOTTEST_DEGC:g} degC; read as degF it is "
                f"{to_degC(temperature_degC):.0f} degC",
                "write the readings in degC",
            )
        )
    return findings


def _finding(
    table: TextTable, line: int, column: int, code: str, message: str, hint: str
) -> Finding:
    return Finding(
        code=code, file=table.file, line=line, column=column, message=message, hint=hint
    )
