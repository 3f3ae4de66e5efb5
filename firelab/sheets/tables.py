"""Rows of words and tick boxes under named columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.sheets.fonts import printable, text_width
from firelab.sheets.page_size import MM, Box
from firelab.sheets.pen import Align, Pen

_GAP = 1.5 * MM
_TICK = 4.8 * MM
_LINE_LEAST = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: its name, its share of the width, and how its cells are printed."""

    name: str
    share: float
    size: float = 10.0
    bold: bool = False
    align: Align = "left"
    turned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RowSpread:
    """How many rows stand on a page, and how high each is (points)."""

    per_page: int
    height: float


def spread_rows(count: int, room: float, *, lowest: float, highest: float) -> RowSpread:
    """Spread rows over as few pages as their lowest height allows, evenly.

    Parameters
    ----------
    count : int
        Rows in all.
    room : float
        Height that a page has for rows, points.
    lowest, highest : float
        Heights of a row, points.

    Examples
    --------
    >>> spread_rows(30, 600, lowest=20, highest=25)
    RowSpread(per_page=30, height=20.0)
    >>> spread_rows(31, 600, lowest=20, highest=25)
    RowSpread(per_page=16, height=25)
    """
    most = max(1, int(room // lowest))
    pages = max(1, math.ceil(count / most))
    per_page = max(1, math.ceil(count / pages))
    return RowSpread(per_page=per_page, height=min(highest, room / per_page))


def column_boxes(row: Box, columns: Sequence[Column]) -> tuple[Box, ...]:
    """Return the boxes of a row's cells."""
    return row.columns(*(column.share for column in columns), gap=_GAP)


def draw_table_head(pen: Pen, row: Box, columns: Sequence[Column]) -> None:
    """Print the names of the columns, wrapped into their widths."""
    for cell, column in zip(column_boxes(row, columns), columns, strict=True):
        room = cell.inset(0, 0.8 * MM)
        if column.turned:
            pen.turned_block(room, column.name, 9, bold=True)
            continue
        pen.block(room, column.name, 9, smallest=5, bold=True, align=column.align)
    pen.rule(row.left, row.bottom, row.right, row.bottom, weight=1.2)


def draw_table_row(
    pen: Pen, row: Box, columns: Sequence[Column], cells: Sequence[str | bool]
) -> None:
    """Print one row: text, a tick box where a cell is True, a dash where it is False."""
    for box, column, cell in zip(column_boxes(row, columns), columns, cells, strict=True):
        if cell is True:
            pen.tick_box(box, _TICK)
        elif cell is False:
            pen.line(box, "–", 9, align="centre")
        else:
            _draw_words(pen, box.inset(0, 0.4 * MM), column, str(cell))
    pen.rule(row.left, row.bottom, row.right, row.bottom, grey=0.6, weight=0.4)


def _draw_words(pen: Pen, box: Box, column: Column, words: str) -> None:
    """Print on one line where it can be read, else wrapped."""
    bold, align = column.bold, column.align
    if text_width(printable(words), _LINE_LEAST, bold=bold) <= box.width:
        pen.line(box, words, column.size, smallest=5, bold=bold, align=align)
    else:
        pen.block(box, words, column.size, smallest=5, bold=bold, align=align, middle=True)
