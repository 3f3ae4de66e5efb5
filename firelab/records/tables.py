"""Tables as people hand them over: CSV with any delimiter, pasted text, a workbook."""

from __future__ import annotations

import codecs
import csv
import datetime
import io
import itertools
import warnings
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from firelab.errors import FaultyFile, Finding

DELIMITERS = (",", ";", "\t", "|")
LARGEST_BYTES = 5_000_000
"""Of a file; a series has tens of looks, so this is no log (chosen here, no source)."""
MOST_ROWS = 20_000
"""Of a table, and of the log, which would no longer be read beyond (chosen here)."""
MOST_COLUMNS = 60
HEADER_WITHIN = 10
"""Rows that a title above the header may take up (chosen here, no source)."""
LONGEST_CELL = 2_000
"""Characters: a page of notes (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """Cells of one row, stripped, and the line it starts on (from 1)."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """A table as text, before its columns are understood.

    Attributes
    ----------
    file : str
        Name for findings.
    header : TableRow
    rows : tuple of TableRow
        Rows below the header that hold anything at all.
    sheet : str
        Of the workbook that it was read from; empty for text.
    other_sheets : tuple of str
        Its other sheets that hold anything.
    """

    file: str
    header: TableRow
    rows: tuple[TableRow, ...]
    sheet: str = ""
    other_sheets: tuple[str, ...] = ()


def refuse(code: str, file: str, message: str, hint: str, line: int = 0) -> FaultyFile:
    """Return the error of a file that cannot be read as a table at all."""
    finding = Finding(code=code, file=file, line=line, message=message, hint=hint)
    return FaultyFile([finding])


def decode(raw: bytes, file: str) -> str:
    """Return the text of a file: UTF-8, or UTF-16 with its mark.

    Raises
    ------
    FaultyFile
        If it is too large or in another encoding.
    """
    if len(raw) > LARGEST_BYTES:
        raise refuse(
            "too-large",
            file,
            f"holds more than {LARGEST_BYTES} bytes",
            "a firing log is small: is this the right file?",
        )
    wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as fault:
        line = raw[: fault.start].count(b"\n") + 1
        raise refuse(
            "wrong-encoding",
            file,
            f"is not UTF-8 text at byte {fault.start + 1}",
            'save it as "CSV UTF-8", or as xlsx',
            line,
        ) from None


def _split(text: str, delimiter: str) -> list[TableRow]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    rows, line = [], 1
    for cells in reader:
        stripped = [cell.strip() for cell in cells]
        if delimiter == "|" and len(stripped) > 2 and not stripped[0] + stripped[-1]:
            stripped = stripped[1:-1]
        is_rule = delimiter == "|" and not "".join(stripped).strip("-: ")
        if any(stripped) and not is_rule:
            rows.append(TableRow(line=line, cells=tuple(stripped)))
        line = reader.line_num + 1
    return rows


def parse_table(
    text: str,
    file: str,
    knows: Callable[[Sequence[str]], int],
    *,
    searched: bool = False,
) -> TextTable:
    """Read delimited text; the delimiter is the one that yields most known columns.

    Parameters
    ----------
    text : str
        At least a header.
    file : str
        Name for findings.
    knows : callable
        Counts the columns of a header that are understood.
    searched : bool, default False
        The header may stand below a title, among the first `HEADER_WITHIN` rows.

    Raises
    ------
    FaultyFile
        If there is no header, a quote never ends, or the table is too big.
    """
    filled = (line for line in text.splitlines() if line.strip())
    first = list(itertools.islice(filled, HEADER_WITHIN if searched else 1))
    if not first:
        raise refuse("empty-file", file, "is empty", "give a header and one row per look")

    def score(delimiter: str) -> tuple[int, int]:
        try:
            rows = list(csv.reader(first, delimiter=delimiter))
        except csv.Error:
            return 0, 0
        known = [knows([cell.strip() for cell in cells if cell.strip()]) for cells in rows]
        return max(known), len(rows[known.index(max(known))])

    try:
        rows = _split(text, max(DELIMITERS, key=score))
    except csv.Error as fault:
        raise refuse(
            "not-a-table", file, f"is no table: {fault}", "save it as CSV or xlsx"
        ) from None
    return sized(file, rows, knows if searched else None)


def sized(
    file: str, rows: list[TableRow], knows: Callable[[Sequence[str]], int] | None
) -> TextTable:
    """Return the rows as a table, refusing one that is far too big.

    Where `knows` is given, the header is the row among the first `HEADER_WITHIN` of
    which it knows most; what stands above it is a title, and left out.
    """
    if not rows:
        raise refuse("empty-file", file, "is empty", "give a header and one row per look")
    widest = max(rows, key=lambda row: len(row.cells))
    if len(rows) - 1 > MOST_ROWS or len(widest.cells) > MOST_COLUMNS:
        raise refuse(
            "too-large",
            file,
            f"holds {len(rows) - 1} rows of up to {len(widest.cells)} cells, more than "
            f"{MOST_ROWS} rows or {MOST_COLUMNS} columns",
            "is this the right file?",
            widest.line,
        )
    known = [knows(row.cells) for row in rows[:HEADER_WITHIN]] if knows else [0]
    place = known.index(max(known))
    return TextTable(file=file, header=rows[place], rows=tuple(rows[place + 1 :]))


_LARGEST_UNPACKED = 20 * LARGEST_BYTES
"""Of a workbook: XML packs 5 to 15 times, a bomb far more (chosen here, no source)."""


def is_workbook(raw: bytes) -> bool:
    """Tell whether the bytes are a zip, as an xlsx workbook is."""
    return raw.startswith(b"PK\x03\x04")


def _as_text(value: Any) -> str:
    """Write a cell's value as a person would read it in the sheet.

    A spreadsheet turns a dwell typed as 2:30 into the time of day 02:30; it is
    read as it was typed.
    """
    if value is None:
        return ""
    if isinstance(value, datetime.datetime):
        return value.isoformat(timespec="seconds")
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, datetime.time):
        if value.hour and not value.second:
            return f"{value.hour}:{value.minute:02d}"
        return f"{value.hour}:{value.minute:02d}:{value.second:02d}"
    if isinstance(value, datetime.timedelta):
        return f"{value.total_seconds():g} s"
    if isinstance(value, float) and value.is_integer():
        return str(int(value)) if abs(value) < 1e15 else repr(value)
    return str(value).strip()


def parse_workbook(
    raw: bytes, file: str, knows: Callable[[Sequence[str]], int], *, sheet: str = ""
) -> TextTable:
    """Read the sheet of an xlsx workbook that holds a table, or the one that is named.

    Parameters
    ----------
    raw : bytes
    file : str
        Name for findings.
    knows : callable
        Counts the columns of a header that are understood.
    sheet : str, default ''
        Name of the sheet.

    Raises
    ------
    FaultyFile
        If it is no workbook, is too large, several of its sheets hold a table and
        none is named, or a cell holds a formula.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
        if len(raw) > LARGEST_BYTES or unpacked > _LARGEST_UNPACKED:
            raise refuse(
                "too-large",
                file,
                f"unpacks to {unpacked} bytes, more than {_LARGEST_UNPACKED}",
                "is this the right file?",
            )
        sheets = _sheets(raw)
    except FaultyFile:
        raise
    except Exception as fault:  # the reader of a damaged workbook fails in many ways
        raise refuse(
            "not-a-workbook",
            file,
            f"is no xlsx workbook that can be read ({type(fault).__name__})",
            "open it in a spreadsheet and save it again, or save it as CSV UTF-8",
        ) from None
    title = _chosen_sheet(file, sheets, knows, sheet)
    rows, held = sheets[title]
    formulas = [
        Finding(
            code="formula",
            file=file,
            line=line,
            column=column,
            message=f"holds a formula {text[:40]!r} where a value is expected",
            hint="replace the formula by its value",
        )
        for line, column, text in held
    ]
    if formulas:
        raise FaultyFile(formulas)
    others = tuple(name for name in sheets if name != title)
    return replace(sized(file, rows, knows), sheet=title, other_sheets=others)


Sheet = tuple[list[TableRow], list[tuple[int, int, str]]]
"""Rows, and the places of formulas."""


def _chosen_sheet(
    file: str,
    sheets: dict[str, Sheet],
    knows: Callable[[Sequence[str]], int],
    asked: str,
) -> str:
    names = ", ".join(f'"{name}"' for name in sheets)
    if asked:
        if asked not in sheets:
            hint = f"it holds something on: {names}" if sheets else "is it the right file?"
            raise refuse("no-such-sheet", file, f'has no sheet "{asked}"', hint)
        return asked
    if not sheets:
        raise refuse("empty-file", file, "is empty", "give a header and one row per look")
    tables = [
        name
        for name, (rows, _) in sheets.items()
        if max(knows(row.cells) for row in rows[:HEADER_WITHIN]) > 1
    ]
    if len(tables) > 1:
        named = ", ".join(f'"{name}"' for name in tables)
        raise refuse(
            "several-sheets",
            file,
            f"holds tables of looks on {len(tables)} sheets: {named}",
            f'record one after the other, first with: --sheet "{tables[0]}"',
        )
    return (tables or list(sheets))[0]


def _sheets(raw: bytes) -> dict[str, Sheet]:
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True)
        try:
            read = {sheet.title: _sheet_rows(sheet) for sheet in book.worksheets}
        finally:
            book.close()
    return {title: sheet for title, sheet in read.items() if sheet[0]}


def _sheet_rows(sheet: Any) -> Sheet:
    rows, formulas = [], []
    sheet.reset_dimensions()  # what the file claims of its own size is not believed
    for line, row in enumerate(sheet.iter_rows(), start=1):
        cells = []
        for column, cell in enumerate(row, start=1):
            text = _as_text(cell.value)
            if cell.data_type == "f":
                formulas.append((line, column, text))
            cells.append(text)
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            rows.append(TableRow(line=line, cells=tuple(cells)))
        if len(rows) > MOST_ROWS + 1 or len(cells) > MOST_COLUMNS or line > 10 * MOST_ROWS:
            rows.append(TableRow(line=line, cells=("",) * (MOST_COLUMNS + 1)))
            break
    return rows, formulas
