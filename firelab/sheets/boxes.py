"""Parts of a page: tables with tick boxes, and the cautions in their frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.sheets.fitting import LEADING, SMALLEST, printable, text_width, wrap_text
from firelab.sheets.page import MM, Box
from firelab.sheets.pen import Align, Pen

_GAP = 1.5 * MM
_TICK = 4.8 * MM


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


def _column_boxes(row: Box, columns: Sequence[Column]) -> tuple[Box, ...]:
    """Return the boxes of a row's cells."""
    return row.columns(*(column.share for column in columns), gap=_GAP)


def draw_table_head(pen: Pen, row: Box, columns: Sequence[Column]) -> None:
    """Print the names of the columns, wrapped into their widths."""
    for cell, column in zip(_column_boxes(row, columns), columns, strict=True):
        room = cell.inset(0, 0.8 * MM)
        if column.turned:
            pen.turned_block(room, column.name)
            continue
        pen.block(room, column.name, 9, bold=True, align=column.align)
    pen.rule(row.left, row.bottom, row.right, row.bottom, weight=1.2)


def draw_table_row(
    pen: Pen, row: Box, columns: Sequence[Column], cells: Sequence[str | bool]
) -> None:
    """Print one row: text, a tick box where a cell is True, a dash where it is False."""
    for box, column, cell in zip(_column_boxes(row, columns), columns, cells, strict=True):
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
    if text_width(printable(words), SMALLEST, bold=bold) <= box.width:
        pen.line(box, words, column.size, bold=bold, align=align)
    else:
        pen.block(box, words, column.size, bold=bold, align=align, middle=True)


_TITLE = 8 * MM
_LABEL_SHARE = 0.16
_BETWEEN = 0.9 * MM
_LABEL_GAP = 2 * MM
HEADING = "Before you start: cautions"


def draw_cautions(pen: Pen, box: Box, *, largest: float = 12.0) -> float:
    """Draw every caution and what comes before them; return the frame's height.

    Parameters
    ----------
    pen : Pen
        Draws on the page.
    box : Box
        Room; the frame is as high as its text.
    largest : float, default 12
        Size of the text, points; made smaller until all of it fits.
    """
    inner = box.inset(4 * MM, 3 * MM)
    room = inner.height - _TITLE
    size = largest
    while size > SMALLEST and _text_height(inner.width, size) > room:
        size -= 0.25
    height = _TITLE + _text_height(inner.width, size) + 6 * MM
    pen.rectangle(box.upper(min(height, box.height)), weight=1.5, fill=0.95)
    pen.line(inner.upper(_TITLE - 1 * MM), HEADING, max(13.0, size), bold=True)
    used = _TITLE
    for name, words in CAUTIONS:
        label, text = _row_boxes(inner.below(used))
        name_height = pen.block(label, name, size, bold=True)
        words_height = pen.block(text, words, size)
        used += max(name_height, words_height) + _BETWEEN
    pen.block(inner.below(used), DEFERENCE, size, bold=True)
    return height


def _row_boxes(row: Box) -> tuple[Box, Box]:
    label, text = row.columns(_LABEL_SHARE, 1 - _LABEL_SHARE)
    return label.columns(label.width - _LABEL_GAP, _LABEL_GAP)[0], text


def _text_height(width: float, size: float) -> float:
    height = 0.0
    for name, words in CAUTIONS:
        label = wrap_text(name, width * _LABEL_SHARE - _LABEL_GAP, size=size, bold=True)
        text = wrap_text(words, width * (1 - _LABEL_SHARE), size=size)
        height += max(len(label), len(text)) * size * LEADING + _BETWEEN
    return height + len(wrap_text(DEFERENCE, width, size=size, bold=True)) * size * LEADING
