"""A table of text becomes looks; every fault of every cell is named."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from firelab.craft.units import parse_duration, parse_dwell, parse_temperature
from firelab.errors import Finding, FirelabError
from firelab.records import look_cells
from firelab.records.log_columns import (
    PLANNED_COLUMNS,
    UNREAD,
    ColumnMeaning,
    match_columns,
)
from firelab.records.look import (
    CONFIRMATION,
    LOG_COLUMNS,
    LOOK_COLUMNS,
    LOST,
    MOVED,
    WITHDRAWAL,
    Look,
    cell_text,
)
from firelab.records.planned_firings import (
    PlannedFiring,
    PlannedFirings,
    plan_cell_parsers,
    repeats_plan,
)
from firelab.records.tables import LONGEST_CELL, TableRow, TextTable
from firelab.series.firing_series import FiringSeries

_CODES = {
    "tile": "unknown-tile",
    "stage": "grade-off-scale",
    "transparency": "score-off-scale",
    "temperature_degC": "impossible-temperature",
    "dwell_s": "impossible-time",
    "fired_at": "impossible-date",
    "recorded_at": "impossible-date",
    "look": "not-a-count",
    "session": "not-a-count",
    "load": "not-a-count",
    "change": "unknown-change",
    "entry": "faulty-entry",
    "unread": "unread",
    **dict.fromkeys((*PLANNED_COLUMNS, "grain_um", "colour"), "other-setting"),
}
"""Code of the finding by column; any other column holds ``faulty-text``."""

FOREIGN_MARK = "foreign-mark"
_HIDES_LOOK = (FOREIGN_MARK, "not-a-count", "unknown-change", "unknown-tile")
_NAMING = ("tile", "look", "session", "load", "observer", "place")
"""Columns that tell which look is meant, and by themselves say nothing of it."""
_SAYING = tuple(name for name in (*LOOK_COLUMNS, "change") if name not in _NAMING)
_SEEN = ("stage", "transparency", "observer")


NEXT_LOOK = 0
"""Number of the look that a lost tile would have had next, until the log tells it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLooks:
    """What a table of looks held.

    Attributes
    ----------
    looks : tuple of Look
        Rows in the order of the table, without those of which tile or look
        cannot be read; a cell with a finding is blank here.
    findings : tuple of Finding
    left_out : tuple of int
        Lines of rows that name a tile and say nothing of it.
    understood : tuple of dict
        Each row by column, as the log writes it; what was not understood is under
        ``unread``, with the name of its column.
    """

    looks: tuple[Look, ...]
    findings: tuple[Finding, ...]
    left_out: tuple[int, ...]
    understood: tuple[dict[str, str], ...] = ()


def read_looks(
    table: TextTable,
    series: FiringSeries,
    planned: PlannedFirings,
    *,
    is_log: bool = False,
    is_correction: bool = False,
) -> ReadLooks:
    """Read every row of a table as a look.

    Parameters
    ----------
    table : TextTable
    series : FiringSeries
        Fixes the scales.
    planned : PlannedFirings
        Fixes tiles and loads, and fills a blank look, session or load.
    is_log : bool, default False
        True for ``firings.csv`` itself, whose columns must be the contract's.
    is_correction : bool, default False
        An observer or a place alone says something too.
    """
    meanings, findings = match_columns(
        table, is_log=is_log, is_grade=lambda cell: _is_grade(cell, series)
    )
    if not any(meaning.column == "tile" for meaning in meanings.values()):
        return ReadLooks(looks=(), findings=tuple(findings), left_out=())
    if not table.rows and not is_log:
        findings.append(_no_rows(table))
    looks, left_out, understood = [], [], []
    parsers = _parsers(series, planned)
    says = _SAYING + ("observer", "place") * is_correction
    for row in table.rows:
        found: list[Finding] = []
        read = 0
        for seen_by in _seen_by(meanings, row):
            reading = _RowReading(
                row=row,
                file=table.file,
                meanings=seen_by,
                n_named=len(table.header.cells),
                parsers=parsers,
            )
            values = reading.read()
            is_silent = not any(name in values for name in says)
            found += reading.findings
            if is_silent and not is_log and not reading.findings:
                continue
            read += 1
            hidden = any(one.code in _HIDES_LOOK for one in reading.findings)
            if "tile" in values and not hidden:
                before = len(reading.findings)
                looks.append(reading.look(values, planned))
                found += reading.findings[before:]
            understood.append(reading.understood(values))
        if not read:
            left_out.append(row.line)
        findings += dict.fromkeys(found)
    return ReadLooks(
        looks=tuple(looks),
        findings=tuple(findings),
        left_out=tuple(left_out),
        understood=tuple(understood),
    )


def _is_grade(cell: str, series: FiringSeries) -> bool:
    try:
        return bool(look_cells.parse_grade(cell, series))
    except FirelabError:
        return False


def _seen_by(
    meanings: dict[int, ColumnMeaning], row: TableRow
) -> list[dict[int, ColumnMeaning]]:
    """Return the columns of each look of a row: one for each person who graded it."""
    shared = {place: one for place, one in meanings.items() if not one.observer}
    people = dict.fromkeys(
        one.observer
        for place, one in meanings.items()
        if one.observer and any(row.cells[place : place + 1])
    )
    looks = [
        {
            **{place: one for place, one in shared.items() if one.column not in _SEEN},
            **{place: one for place, one in meanings.items() if one.observer == name},
        }
        for name in people
    ]
    has_own = any(one.column in ("stage", "transparency") for one in shared.values())
    return [*([shared] if has_own or not people else []), *looks]


def _no_rows(table: TextTable) -> Finding:
    return Finding(
        code="no-rows",
        file=table.file,
        line=table.header.line,
        message="holds column names and no row under them",
        hint="give one row per look",
    )


@dataclass(slots=True)
class _RowReading:
    """The reading of one row: collects its faults."""

    row: TableRow
    file: str
    meanings: dict[int, ColumnMeaning]
    n_named: int
    parsers: dict[str, Callable[[str], Any]]
    findings: list[Finding] = field(default_factory=list)

    def place(self, column: str) -> int:
        """Return the place of a column from 1; 0 where the table lacks it."""
        for place, meaning in self.meanings.items():
            if meaning.column == column:
                return place + 1
        return 0

    def report(self, code: str, column: int, message: str, hint: str) -> None:
        self.findings.append(
            Finding(
                code=code,
                file=self.file,
                line=self.row.line,
                column=column,
                message=message,
                hint=hint,
            )
        )

    def read(self) -> dict[str, Any]:
        """Return the values of the cells that are neither blank nor faulty."""
        beyond = self.row.cells[self.n_named :]
        if any(beyond):
            self.report(
                "cell-too-many",
                self.n_named + 1,
                f"has {len(self.row.cells)} cells under {self.n_named} column names; "
                f"beyond them stands {''.join(beyond)[:40]!r}",
                "put text that holds the delimiter in quotes",
            )
        values: dict[str, Any] = {}
        for place, meaning in self.meanings.items():
            text = self.row.cells[place] if place < len(self.row.cells) else ""
            if not text:
                continue
            if meaning.column == "stage" and look_cells.is_lost_word(text):
                self._lose(values, text)
                continue
            if meaning.observer:
                values["observer"] = meaning.observer
            try:
                values[meaning.column] = (
                    _parse_with_unit(text, meaning.column, meaning.unit)
                    if meaning.unit
                    else self.parsers[meaning.column](text)
                )
            except FirelabError as fault:
                code = _CODES.get(meaning.column, "faulty-text")
                if isinstance(fault, look_cells.ForeignMark):
                    code = FOREIGN_MARK
                message = f"{meaning.column}: {fault.what}"
                self.report(code, place + 1, message, fault.hint)
        if "tile" not in values and not any(
            one.code in (FOREIGN_MARK, "unknown-tile") for one in self.findings
        ):
            self.report("unknown-tile", 0, "names no tile", "give the tile's code")
        if LOST in values.get("change", ()) and "lost_as" in values:
            noted = [values.pop("lost_as"), values.get("note", "")]
            values["note"] = "; ".join(text for text in noted if text)
        return values

    def understood(self, values: dict[str, Any]) -> dict[str, str]:
        """Return the cells of the row as the log writes them, and what is left of it."""
        row = {name: cell_text(values.get(name)) for name in LOG_COLUMNS}
        unread = []
        for one in self.findings:
            meaning = self.meanings.get(one.column - 1)
            if meaning is None or meaning.column in values:
                unread.append(one.message)
            elif meaning.column == UNREAD:
                unread.append(self.row.cells[one.column - 1])
            else:
                unread.append(f"{meaning.column}: {self.row.cells[one.column - 1]}")
        return {**row, UNREAD: "; ".join(unread)}

    def _lose(self, values: dict[str, Any], text: str) -> None:
        """Take a word such as 'dropped' under grade for what it is: the tile is lost."""
        values["change"] = (*values.get("change", ()), LOST)
        values["lost_as"] = text

    def look(self, values: dict[str, Any], planned: PlannedFirings) -> Look:
        """Return the look with its blank load and session filled from the plan."""
        tile, load = values["tile"], values.get("load")
        number = values.get("look") or planned.look_in(tile, load, values.get("session"))
        change = values.get("change", ())
        if LOST in change and not {"look", "load", "session"} & set(values):
            number = NEXT_LOOK
        firing = planned.firing(tile, max(number, 1))
        is_brief = bool({LOST, CONFIRMATION, WITHDRAWAL} & set(change))
        for name, right in planned.cells(tile, max(number, 1)).items():
            if name in values and not repeats_plan(values[name], right):
                self.report(
                    "other-setting",
                    self.place(name),
                    f"{name} {values[name]}, but tile {tile} is planned with {right}",
                    "is it the right tile? correct the tile or this cell",
                )
        kept = {name: value for name, value in values.items() if name in LOG_COLUMNS}
        filled = {**kept, "look": number, "change": change, "line": self.row.line}
        if firing is not None and MOVED not in change:
            self._hold_to_plan(values, number, firing)
            where = {"load": firing.load, "session": firing.session}
        else:
            where = self._elsewhere(values, planned)
        if firing is None and values.get("dwell_s") is None and not is_brief:
            self.report(
                "impossible-time",
                0,
                f"look {number} at tile {tile} is beyond its "
                f"{len(planned.tiles[tile])} planned, and has no dwell_s",
                "write how long this firing took",
            )
        return Look(**{**filled, **where})

    def _hold_to_plan(
        self, values: dict[str, Any], number: int, firing: PlannedFiring
    ) -> None:
        for name in ("load", "session"):
            given, right = values.get(name), getattr(firing, name)
            if given is not None and given != right:
                self.report(
                    f"other-{name}",
                    self.place(name),
                    f"{name} {given}, but look {number} at tile {values['tile']} is "
                    f"planned in {name} {right}",
                    f"correct the {name} or the look; if the tile was truly fired "
                    f"there, write {MOVED} in a column change",
                )

    def _elsewhere(self, values: dict[str, Any], planned: PlannedFirings) -> dict[str, int]:
        last = planned.tiles[values["tile"]][-1]
        load = values.get("load") or last.load
        if load not in planned.loads:
            if load < max(planned.loads) or values.get("temperature_degC") is None:
                self.report(
                    "other-load",
                    self.place("load"),
                    f"load {load} is not planned; the plan has loads "
                    f"{min(planned.loads)} to {max(planned.loads)}",
                    "name the load that the tile was fired with; for a load beyond "
                    "the plan, write the temperature too",
                )
            return {"load": load, "session": values.get("session") or last.session}
        session = planned.loads[load].session
        given = values.get("session")
        if given is not None and given != session:
            self.report(
                "other-session",
                self.place("session"),
                f"session {given}, but load {load} is planned in session {session}",
                "correct the session or the load",
            )
        return {"load": load, "session": session}


def _parsers(
    series: FiringSeries, planned: PlannedFirings
) -> dict[str, Callable[[str], Any]]:
    """Return how a cell of each column that is written without a unit is read."""
    words = look_cells.grade_words(series)

    def name(text: str) -> str:
        return look_cells.parse_words(text, look_cells.LONGEST_NAME)

    return {
        "tile": lambda text: look_cells.parse_tile(text, planned.codes, series.mark),
        "stage": lambda text: look_cells.parse_grade(text, series, words),
        "transparency": lambda text: look_cells.parse_score(text, series),
        "fired_at": look_cells.parse_moment,
        "recorded_at": look_cells.parse_moment,
        "look": lambda text: look_cells.parse_whole(text, most=99),
        "session": look_cells.parse_whole,
        "load": look_cells.parse_whole,
        "place": look_cells.parse_whole,
        "change": look_cells.parse_change,
        "entry": look_cells.parse_entry,
        **dict.fromkeys(("observer", "defects", "recorded_by"), name),
        "note": lambda text: look_cells.parse_words(text, LONGEST_CELL),
        "unread": _unread,
        **plan_cell_parsers(series),
    }


def _parse_with_unit(text: str, column: str, unit: str) -> float:
    """Read a temperature or a time of which the column's name may give the unit."""
    if column == "dwell_s":
        return parse_dwell(text[:40], unit=unit)
    of_unit = parse_temperature if column.endswith("degC") else parse_duration
    return of_unit(text[:40], unit=unit)


def _unread(text: str) -> str:
    raise FirelabError(
        f"{text[:60]!r} waits to be written into its own column",
        hint="fill in the blank cells of this row, and empty this one",
    )
