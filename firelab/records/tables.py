"""Tables as people hand them over: CSV with any delimiter, pasted text, a workbook."""

from __future__ import annotations

import codecs
import csv
import datetime
import io
import warnings
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from firelab.errors import FaultyFile, Finding

DELIMITERS = (",", ";", "\t", "|")
LARGEST_BYTES = 5_000_000
"""Of a file; a series has tens of looks, so this is no log (chosen here, no source)."""
MOST_ROWS = 20_000
"""Of a table, and of the log, which would no longer be read beyond (chosen here)."""
MOST_COLUMNS = 60
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
        Rows that hold anything at all.
    """

    file: str
    header: TableRow
    rows: tuple[TableRow, ...]


def refuse(code: str, file: str, message: str, hint: str, line: int = 0) -> FaultyFile:
    """Return the error of a file that cannot be read as a table at all."""
    finding = Finding(code=code, file=file, line=line, column=0, message=message, hint=hint)
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


def parse_table(text: str, file: str, knows: Callable[[Sequence[str]], int]) -> TextTable:
    """Read delimited text; the delimiter is the one that yields most known columns.

    Parameters
    ----------
    text : str
        At least a header.
    file : str
        Name for findings.
    knows : callable
        Counts the columns of a header that are understood.

    Raises
    ------
    FaultyFile
        If there is no header, a quote never ends, or the table is too big.
    """
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise refuse("empty-file", file, "is empty", "give a header and one row per look")

    def score(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([first], delimiter=delimiter), [])
        except csv.Error:
            return 0, 0
        return knows([cell.strip() for cell in cells if cell.strip()]), len(cells)

    try:
        rows = _split(text, max(DELIMITERS, key=score))
    except csv.Error as fault:
        raise refuse(
            "not-a-table", file, f"is no table: {fault}", "save it as CSV or xlsx"
        ) from None
    return sized(file, rows)


def sized(file: str, rows: list[TableRow]) -> TextTable:
    """Return the rows as a table, refusing one that is far too big."""
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
    return TextTable(file=file, header=rows[0], rows=tuple(rows[1:]))


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


def parse_workbook(raw: bytes, file: str) -> TextTable:
    """Read the first sheet of an xlsx workbook that holds anything.

    Raises
    ------
    FaultyFile
        If it is no workbook, is too large, or a cell holds a formula.
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
        rows = _rows(raw)
    except FaultyFile:
        raise
    except Exception as fault:  # the reader of a damaged workbook fails in many ways
        raise refuse(
            "not-a-workbook",
            file,
            f"is no xlsx workbook that can be read ({type(fault).__name__})",
            "open it in a spreadsheet and save it again, or save it as CSV UTF-8",
        ) from None
    formulas = [
        Finding(
            code="formula",
            file=file,
            line=line,
            column=column,
            message=f"holds a formula {text[:40]!r} where a value is expected",
            hint="replace the formula by its value",
        )
        for line, column, text in rows[1]
    ]
    if formulas:
        raise FaultyFile(formulas)
    return sized(file, rows[0])


def _rows(raw: bytes) -> tuple[list[TableRow], list[tuple[int, int, str]]]:
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True)
        try:
            for sheet in book.worksheets:
                rows, formulas = _sheet_rows(sheet)
                if rows:
                    return rows, formulas
        finally:
            book.close()
    return [], []


def _sheet_rows(sheet: Any) -> tuple[list[TableRow], list[tuple[int, int, str]]]:
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
