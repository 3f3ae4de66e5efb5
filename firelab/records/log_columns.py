"""Columns of a table of looks: the contract's names and what people call them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from firelab.errors import Finding
from firelab.records.look import KEPT_COLUMNS, LOG_COLUMNS
from firelab.records.look_cells import SIMILAR
from firelab.records.records import FIRING_COLUMNS
from firelab.records.tables import TextTable

SYNONYMS: dict[str, tuple[str, ...]] = {
    "tile": (
        *("tile code", "tile no", "tile number", "test tile"),
        *("code", "sample", "piece", "plate"),
    ),
    "look": ("look number", "firing number", "look no", "firing no"),
    "session": ("day",),
    "load": ("kiln load", "load number", "load no"),
    "temperature_degC": (
        *("temperature", "temp", "heat", "firing temperature", "firing temp"),
        *("read temperature", "kiln temperature", "kiln temp", "kiln reads", "kiln read"),
    ),
    "dwell_s": (
        *("dwell", "time", "true time", "firing time", "duration"),
        *("time in", "time in kiln", "hold", "hold time"),
    ),
    "stage": ("grade", "stage of fusing", "result", "surface"),
    "transparency": ("clarity", "clearness", "score", "transparency score"),
    "observer": ("graded by", "seen by", "name", "initials", "student", "who"),
    "fired_at": ("fired", "date", "when", "date and time", "fired on", "date fired"),
    "defects": ("defect", "faults", "flaws"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
    "change": (),
    "recorded_at": (),
    "recorded_by": (),
    "entry": (),
    "mesh": ("sieve", "mesh size"),
    "layers": ("coats", "coat", "layer"),
    "base": ("base coat", "over", "undercoat"),
    "role": (),
    "order": ("firing order",),
    "place": ("rack place", "place of the rack", "place on the rack", "position"),
    "planned_degC": ("planned temperature", "set temperature", "set to"),
    "planned_s": ("planned dwell", "planned time", "leave in"),
    "grain_um": (),
    "colour": ("color", "enamel"),
    "unread": (),
}
"""Plain words for each column; case, blanks and underscores do not matter."""

PLANNED_COLUMNS = (
    *("mesh", "layers", "base", "role", "order"),
    *("planned_degC", "planned_s"),
)
"""What a table may repeat of the plan, to be held against it."""
UNREAD = "unread"
"""What could not be understood, in a table that firelab wrote to be mended."""

_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
_AROUND_NAMES = " \t:,()[]-–_/"
_DEGREES = {"degc": "degC", "c": "degC", "celsius": "degC"}
_DEGREES |= {"degf": "degF", "f": "degF", "fahrenheit": "degF"}
_TIMES = {"s": "s", "sec": "s", "secs": "s", "seconds": "s"}
_TIMES |= {"min": "min", "mins": "min", "minutes": "min"}
_UNITS: dict[str, dict[str, str]] = {
    "temperature_degC": _DEGREES,
    "dwell_s": _TIMES,
    "planned_degC": _DEGREES,
    "planned_s": _TIMES,
}
_STANDARD = {
    "temperature_degC": "degC",
    "dwell_s": "s",
    "planned_degC": "degC",
    "planned_s": "s",
}


def _plain(name: str) -> str:
    name = re.sub("[°º˚]", "deg", name.casefold())
    return re.sub(r"[\W_]+", " ", name).strip()


_KNOWN: dict[str, str] = {
    _plain(word): column for column, words in SYNONYMS.items() for word in (column, *words)
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnMeaning:
    """Which column of the log a column of a table is.

    Attributes
    ----------
    column : str
    unit : str
        Of bare numbers.
    observer : str
        Whose grades or scores these are, where each person has a column.
    """

    column: str
    unit: str = ""
    observer: str = ""


def column_meaning(written: str) -> ColumnMeaning | None:
    """Return what a column's name means; None where it is not known.

    Examples
    --------
    >>> column_meaning("Kiln temperature (°F)")
    ColumnMeaning(column='temperature_degC', unit='degF', observer='')
    >>> column_meaning("dwell min").unit, column_meaning("weather")
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
    return ColumnMeaning(column=column or "", unit=unit or _STANDARD.get(column or "", ""))


def _observer_meaning(
    written: str, cells: Sequence[str], is_grade: Callable[[str], bool]
) -> ColumnMeaning | None:
    """Return whose grades an otherwise unknown column holds; None where it holds none.

    Examples
    --------
    >>> _observer_meaning("Grade (Kim)", ["full", ""], lambda cell: cell == "full")
    ColumnMeaning(column='stage', unit='', observer='Kim')
    >>> _observer_meaning("Kim", ["red"], lambda cell: cell == "full")
    """
    filled = [cell for cell in cells if cell]
    column, observer = _whose(written)
    if not observer or not filled:
        return None
    if column == "stage" and 2 * sum(map(is_grade, filled)) < len(filled):
        return None
    if column == "transparency" and not all(_NUMBER.fullmatch(cell) for cell in filled):
        return None
    return ColumnMeaning(column=column, observer=observer)


def _whose(written: str) -> tuple[str, str]:
    """Return the column and the name that stand together in a column's name."""
    for column in ("stage", "transparency"):
        for word in sorted((column, *SYNONYMS[column]), key=len, reverse=True):
            rest = re.sub(rf"\b{re.escape(word)}\b", "", written, flags=re.IGNORECASE)
            if rest != written:
                return column, rest.strip(_AROUND_NAMES)
    return "stage", written.strip(_AROUND_NAMES)


def count_known(header: Sequence[str]) -> int:
    """Return how many names of a header are understood."""
    return sum(column_meaning(name) is not None for name in header)


def match_columns(
    table: TextTable, *, is_log: bool, is_grade: Callable[[str], bool] = lambda cell: False
) -> tuple[dict[int, ColumnMeaning], list[Finding]]:
    """Return the meaning of each column by its place, and the faults of the header.

    Parameters
    ----------
    table : TextTable
    is_log : bool
        True for ``firings.csv``, which must hold all twelve columns by their
        own names; False for a table that is handed over.
    is_grade : callable
        Tells a column of one person's grades from an unknown one.
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
        cells = [row.cells[place - 1] for row in table.rows if len(row.cells) >= place]
        if meaning is None and written and not is_log:
            meaning = _observer_meaning(written, cells, is_grade)
        if meaning is None:
            if written or any(cells):
                report("unknown-column", place, *_unknown(written, is_log))
        elif meaning.observer:
            meanings[place - 1] = meaning
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
    return ColumnMeaning(column=written, unit=_STANDARD.get(written, ""))


def _unknown(written: str, is_log: bool) -> tuple[str, str]:
    if not written:
        return "a column has cells but no name", "name the column, or empty it"
    names = LOG_COLUMNS if is_log else tuple(_KNOWN)
    near = difflib.get_close_matches(
        written if is_log else _plain(written), names, n=1, cutoff=SIMILAR
    )
    usual = ", ".join(LOG_COLUMNS[: -len(KEPT_COLUMNS)])
    if not near:
        return f"column {written[:60]!r} is not known", f"remove it; known are {usual}"
    column = near[0] if is_log else _KNOWN[near[0]]
    return f"column {written[:60]!r} is not known", f"did you mean {column}?"
