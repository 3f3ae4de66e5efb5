"""Columns of a table of looks: the contract's names and what people call them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.errors import Finding
from firelab.records.look import KEPT_COLUMNS, LOG_COLUMNS
from firelab.records.records import FIRING_COLUMNS
from firelab.records.tables import TextTable

SYNONYMS: dict[str, tuple[str, ...]] = {
    "tile": ("tile code", "code", "sample", "piece", "plate"),
    "look": ("look number", "firing number"),
    "session": ("day",),
    "load": ("kiln load", "load number"),
    "temperature_degC": ("temperature", "temp", "read temperature", "kiln temperature"),
    "dwell_s": ("dwell", "time", "true time", "firing time", "duration"),
    "stage": ("grade", "stage of fusing", "result", "surface"),
    "transparency": ("clarity", "clearness", "score", "transparency score"),
    "observer": ("graded by", "seen by", "name", "student", "who"),
    "fired_at": ("fired", "date", "when", "date and time", "fired on"),
    "defects": ("defect", "faults", "flaws"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
    "change": (),
    "recorded_at": (),
    "recorded_by": (),
    "entry": (),
}
"""Plain words for each column; case, blanks and underscores do not matter."""

_UNITS: dict[str, dict[str, str]] = {
    "temperature_degC": {
        "degc": "degC",
        "c": "degC",
        "celsius": "degC",
        "degf": "degF",
        "f": "degF",
        "fahrenheit": "degF",
    },
    "dwell_s": {
        "s": "s",
        "sec": "s",
        "seconds": "s",
        "min": "min",
        "mins": "min",
        "minutes": "min",
    },
}


def _plain(name: str) -> str:
    return re.sub(r"[\W_]+", " ", name.casefold().replace("°", "deg")).strip()


_KNOWN: dict[str, str] = {
    _plain(word): column for column, words in SYNONYMS.items() for word in (column, *words)
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMeaning:
    """Which column of the log a column of a table is, and the unit of bare numbers."""

    column: str
    unit: str = ""


def column_meaning(written: str) -> ColumnMeaning | None:
    """Return what a column's name means; None where it is not known.

    Examples
    --------
    >>> column_meaning("Kiln temperature (°F)")
    ColumnMeaning(column='temperature_degC', unit='degF')
    >>> column_meaning("dwell min").unit, column_meaning("colour")
    ('min', None)
    """
    words = _plain(written)
    column, unit = _KNOWN.get(words), ""
    if column is None:
        words, _, last = words.rpartition(" ")
        words = words.removesuffix(" deg")
        column = _KNOWN.get(words)
        unit = _UNITS.get(column or "", {}).get(last, "")
        if not unit:
            return None
    standard = {"temperature_degC": "degC", "dwell_s": "s"}
    return ColumnMeaning(column=column or "", unit=unit or standard.get(column or "", ""))


def count_known(header: Sequence[str]) -> int:
    """Return how many names of a header are understood."""
    return sum(column_meaning(name) is not None for name in header)


def match_columns(
    table: TextTable, *, is_log: bool
) -> tuple[dict[int, ColumnMeaning], list[Finding]]:
    """Return the meaning of each column by its place, and the faults of the header.

    Parameters
    ----------
    table : TextTable
    is_log : bool
        True for ``firings.csv``, which must hold all twelve columns by their
        own names; False for a table that is handed over.
    """
    meanings: dict[int, ColumnMeaning] = {}
    findings: list[Finding] = []
    first_place: dict[str, int] = {}

    def report(code: str, place: int, message: str, hint: str) -> None:
        findings.append(
            Finding(
                code=code,
                file=table.file,
                line=table.header.line,
                column=place,
                message=message,
                hint=hint,
            )
        )

    for place, written in enumerate(table.header.cells, start=1):
        meaning = _own_name(written) if is_log else column_meaning(written)
        if meaning is None:
            if written or any(
                len(row.cells) >= place and row.cells[place - 1] for row in table.rows
            ):
                report("unknown-column", place, *_unknown(written, is_log))
        elif meaning.column in first_place:
            before = first_place[meaning.column]
            report(
                "column-twice",
                place,
                f"column {written!r} means {meaning.column}, as column {before} "
                f"{table.header.cells[before - 1]!r} does",
                "keep one of the two",
            )
        else:
            first_place[meaning.column] = place
            meanings[place - 1] = meaning
    needed = FIRING_COLUMNS if is_log else ("tile",)
    for column in needed:
        if column not in first_place:
            hint = f"add a column {column}"
            report("missing-column", 0, f"column {column} is missing", hint)
    return meanings, findings


def _own_name(written: str) -> ColumnMeaning | None:
    if written not in LOG_COLUMNS:
        return None
    units = {"temperature_degC": "degC", "dwell_s": "s"}
    return ColumnMeaning(column=written, unit=units.get(written, ""))


def _unknown(written: str, is_log: bool) -> tuple[str, str]:
    if not written:
        return "a column has cells but no name", "name the column, or empty it"
    names = LOG_COLUMNS if is_log else tuple(_KNOWN)
    near = difflib.get_close_matches(
        written if is_log else _plain(written), names, n=1, cutoff=0.5
    )
    usual = ", ".join(LOG_COLUMNS[: -len(KEPT_COLUMNS)])
    if not near:
        return f"column {written[:60]!r} is not known", f"remove it; known are {usual}"
    column = near[0] if is_log else _KNOWN[near[0]]
    return f"column {written[:60]!r} is not known", f"did you mean {column}?"
