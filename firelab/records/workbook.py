"""Tables handed over as an xlsx workbook: its first sheet that holds anything."""

from __future__ import annotations

import datetime
import io
import warnings
import zipfile
from typing import Any

from firelab.errors import FaultyFile, Finding
from firelab.records.table_text import (
    LARGEST_BYTES,
    MOST_COLUMNS,
    MOST_ROWS,
    TableRow,
    TextTable,
    refuse,
    sized,
)

_LARGEST_UNPACKED = 20 * LARGEST_BYTES


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
        if max(len(raw), unpacked / 20) > LARGEST_BYTES:
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
