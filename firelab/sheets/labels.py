"""One label per tile: code and QR square; its setting on a half that is folded back.

They are printed on any label stock by its size in millimetres, or on plain paper
with cut lines.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.tile_codes import tile_code
from firelab.craft.units import format_duration
from firelab.errors import UsageError
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import marked_code
from firelab.sheets.fitting import LEADING, SMALLEST
from firelab.sheets.page import MM, Box, PageSize, page_size
from firelab.sheets.pen import Align, Pen, SheetPage, body_box
from firelab.sheets.tile_places import (
    PlannedTile,
    TileFiring,
    both_temperatures,
    powder_words,
)

SMALLEST_WIDTH_MM = 35.0
SMALLEST_HEIGHT_MM = 15.0
"""Below this the settings would be cut."""
_PAIR = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*[xX×*]\s*(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*$")
_EPSILON_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelStock:
    """Where the labels are on a page, millimetres.

    Attributes
    ----------
    width_mm, height_mm : float
        Of one label.
    left_mm, top_mm : float or None
        Margins before the first label; None centres the labels on the page.
    gap_across_mm, gap_down_mm : float
        Between neighbouring labels.
    cut_lines : bool
        Plain paper, to be cut along dashed lines.
    """

    width_mm: float
    height_mm: float
    left_mm: float | None = None
    top_mm: float | None = None
    gap_across_mm: float = 0.0
    gap_down_mm: float = 0.0
    cut_lines: bool = False

    def cells(self, page: PageSize) -> tuple[Box, ...]:
        """Return the boxes of one page's labels, row by row.

        Raises
        ------
        UsageError
            If a label is too small to be read, or none fits on the page.
        """
        self._check_size()
        area = body_box(page, framed=self.cut_lines)
        across = self._count(area.width, self.left_mm, self.width_mm, self.gap_across_mm)
        down = self._count(area.height, self.top_mm, self.height_mm, self.gap_down_mm)
        if across < 1 or down < 1:
            raise UsageError(
                f"a label of {self.width_mm:g} x {self.height_mm:g} mm with its margins "
                f"does not fit on {page.name} "
                f"({area.width / MM:.0f} x {area.height / MM:.0f} mm)",
                hint="correct the size or the margins, or choose the other page",
            )
        pitch_x = (self.width_mm + self.gap_across_mm) * MM
        pitch_y = (self.height_mm + self.gap_down_mm) * MM
        spare_x = area.width - across * pitch_x + self.gap_across_mm * MM
        spare_y = area.height - down * pitch_y + self.gap_down_mm * MM
        left = spare_x / 2 if self.left_mm is None else self.left_mm * MM
        top = self.top_mm * MM if self.top_mm is not None else spare_y / 2
        if self.cut_lines and self.top_mm is None:
            top = 0.0
        return tuple(
            Box(
                left=area.left + left + column * pitch_x,
                top=area.top + top + row * pitch_y,
                width=self.width_mm * MM,
                height=self.height_mm * MM,
            )
            for row in range(down)
            for column in range(across)
        )

    def _count(self, room: float, margin: float | None, size: float, gap: float) -> int:
        free = room / MM - (margin or 0.0) + _EPSILON_MM
        return int((free + gap) // (size + gap))

    def _check_size(self) -> None:
        if self.width_mm < SMALLEST_WIDTH_MM or self.height_mm < SMALLEST_HEIGHT_MM:
            raise UsageError(
                f"a label of {self.width_mm:g} x {self.height_mm:g} mm is too small: "
                f"code and QR square need {SMALLEST_WIDTH_MM:g} x "
                f"{SMALLEST_HEIGHT_MM:g} mm",
                hint="use larger labels, or --labels cut",
            )


def _stock(
    width: float,
    height: float,
    left: float | None,
    top: float | None,
    across: float,
    down: float,
) -> LabelStock:
    return LabelStock(
        width_mm=width,
        height_mm=height,
        left_mm=left,
        top_mm=top,
        gap_across_mm=across,
        gap_down_mm=down,
    )


CUT_LABELS = LabelStock(width_mm=62.0, height_mm=42.0, cut_lines=True)
"""Labels on plain paper, to be cut out."""


LABEL_STOCKS: dict[str, tuple[LabelStock, ...]] = {
    "a4": (
        _stock(99.1, 38.1, 4.65, 15.15, 2.5, 0),
        _stock(70.0, 37.0, 0.0, 0.5, 0, 0),
        _stock(63.5, 38.1, 7.25, 15.15, 2.5, 0),
        _stock(63.5, 33.9, 7.25, 12.9, 2.5, 0),
        _stock(45.7, 21.2, 9.8, 21.5, 2.5, 0),
        _stock(38.1, 21.2, 4.7, 10.7, 2.5, 0),
    ),
    "letter": (
        _stock(101.6, 50.8, 4.0, 12.7, 4.8, 0),
        _stock(101.6, 25.4, 4.0, 12.7, 4.8, 0),
        _stock(66.7, 25.4, 4.75, 12.7, 3.2, 0),
    ),
}
"""Common sheets of labels by the size of one, mm (from memory: print one on plain paper
and hold it against the sheet)."""


def label_stock_words() -> str:
    """Return the common stocks, one a line: page, size of a label, labels a page."""
    return "\n".join(
        f"{page:>6}  --labels {stock.width_mm:g}x{stock.height_mm:g}"
        f"  {len(stock.cells(page_size(page)))} a page"
        for page, stocks in LABEL_STOCKS.items()
        for stock in stocks
    )


def _parse_pair_mm(text: str, what: str) -> tuple[float, float]:
    """Return two lengths written as ``63.5x38.1``, millimetres.

    Examples
    --------
    >>> _parse_pair_mm("63.5x38.1", "labels"), _parse_pair_mm("2,5 x 0 mm", "gaps")
    ((63.5, 38.1), (2.5, 0.0))
    """
    match = _PAIR.match(text)
    if match is None:
        raise UsageError(
            f"{what} {text!r} is not WIDTHxHEIGHT in millimetres",
            hint='write such as "63.5x38.1"',
        )
    across, down = (float(number.replace(",", ".")) for number in match.groups())
    return across, down


def parse_label_stock(
    labels: str, *, margins: str | None = None, gaps: str | None = None, page: str = "a4"
) -> LabelStock:
    """Return the label stock that a person wrote.

    Parameters
    ----------
    labels : str
        ``cut``, or the size of one label such as ``63.5x38.1``.
    margins, gaps : str, optional
        Left and top margin; gaps across and down; in the same form. Without both, those
        of `LABEL_STOCKS` hold where the size is one of the page's.
    page : {'a4', 'letter'}, default 'a4'

    Raises
    ------
    UsageError
        If a text is not a pair of millimetres.

    Examples
    --------
    >>> parse_label_stock("cut").cut_lines
    True
    >>> parse_label_stock("63.5x38.1").gap_across_mm
    2.5
    """
    if labels.strip().lower() == "cut":
        return CUT_LABELS
    width, height = _parse_pair_mm(labels, "labels")
    known = LABEL_STOCKS.get(page.strip().lower(), ()) if not (margins or gaps) else ()
    for stock in known:
        if (stock.width_mm, stock.height_mm) == (width, height):
            return stock
    left, top = _parse_pair_mm(margins, "margins") if margins else (None, None)
    across, down = _parse_pair_mm(gaps, "gaps") if gaps else (0.0, 0.0)
    return _stock(width, height, left, top, across, down)


_LARGEST_CODE = 60.0
_FOLDS_DOWN, _FOLDS_BACK = (44 * MM, 30 * MM), (60 * MM, 14 * MM)
"""Width and height from which a label has a second half, below or beside the first."""


def label_pages(
    series: FiringSeries, tiles: Sequence[PlannedTile], stock: LabelStock, page: PageSize
) -> list[SheetPage]:
    """Return pages of labels, in firing order.

    Raises
    ------
    UsageError
        If the stock does not fit the page.
    """
    cells = stock.cells(page)
    pages = []
    for first in range(0, len(tiles), len(cells)):
        shown = tuple(tiles[first : first + len(cells)])

        def draw(pen: Pen, body: Box, shown: tuple[PlannedTile, ...] = shown) -> None:
            for tile, cell in zip(shown, cells, strict=False):
                if stock.cut_lines:
                    draw_cut_lines(pen, cell)
                draw_label(pen, cell, series, tile)

        pages.append(SheetPage(title="Tile labels", draw=draw, framed=stock.cut_lines))
    return pages


def mark_pages(series: FiringSeries, stock: LabelStock, page: PageSize) -> list[SheetPage]:
    """Return a page of blank marks: codes and QR squares of tiles not planned yet.

    Where tiles are chosen one at a time they take these codes in turn.

    Raises
    ------
    UsageError
        If the stock does not fit the page.
    """
    cells = stock.cells(page)
    cells = cells[: series.budget.blanks or len(cells)]

    def draw(pen: Pen, body: Box) -> None:
        for index, cell in enumerate(cells):
            if stock.cut_lines:
                draw_cut_lines(pen, cell)
            _draw_front(pen, cell.inset(2 * MM), marked_code(series.mark, tile_code(index)))

    return [SheetPage(title="Blank marks, in turn", draw=draw, framed=stock.cut_lines)]


def draw_cut_lines(pen: Pen, cell: Box) -> None:
    """Draw dashed lines round a label."""
    for x0, y0, x1, y1 in (
        (cell.left, cell.top, cell.right, cell.top),
        (cell.left, cell.bottom, cell.right, cell.bottom),
        (cell.left, cell.top, cell.left, cell.bottom),
        (cell.right, cell.top, cell.right, cell.bottom),
    ):
        pen.rule(x0, y0, x1, y1, grey=0.4, weight=0.5, dashed=True)


def draw_label(
    pen: Pen, cell: Box, series: FiringSeries, tile: PlannedTile, *, blind: bool = False
) -> None:
    """Draw one label into its box, as large as the box allows.

    Code and QR square stand on one half; the setting stands on the other, which is
    folded back or cut away before the tile is graded. A label too small for two
    halves shows the code alone.
    """
    inner = cell.inset(min(2.2 * MM, 0.05 * min(cell.width, cell.height) + 0.5 * MM))
    front, back = inner, None
    if not blind and inner.width >= _FOLDS_DOWN[0] and inner.height >= _FOLDS_DOWN[1]:
        front, back = inner.rows(0.5, 0.5, gap=3 * MM)
        fold = back.top - 1.5 * MM
        pen.rule(cell.left, fold, cell.right, fold, grey=0.5, weight=0.4, dashed=True)
    elif not blind and inner.width >= _FOLDS_BACK[0] and inner.height >= _FOLDS_BACK[1]:
        front, back = inner.columns(0.5, 0.5, gap=3 * MM)
        fold = back.left - 1.5 * MM
        pen.rule(fold, cell.top, fold, cell.bottom, grey=0.5, weight=0.4, dashed=True)
    _draw_front(pen, front, marked_code(series.mark, tile.code))
    if back is not None:
        lines = _setting_lines(series, tile)
        room = back.height / (len(lines) * LEADING)
        size = max(SMALLEST, min(_LARGEST_CODE / 4, room))
        rows = back.rows(*([1.0] * len(lines)))
        for place, (row, words) in enumerate(zip(rows, lines, strict=True)):
            pen.line(row, words, size, bold=place == 0)


def _draw_front(pen: Pen, box: Box, code: str) -> None:
    """Draw the QR square with the code beside it, or below it where it is narrow."""
    if box.width >= 1.6 * box.height:
        side = min(box.height, 0.42 * box.width)
        square, beside = box.columns(side, box.width - side, gap=1 * MM)
        square = square.below((box.height - side) / 2).upper(side)
    else:
        side = min(box.width, 0.72 * box.height)
        square, beside = box.upper(side), box.below(side)
        beside = beside.upper(min(beside.height, 16 * MM))
    pen.qr_square(square, code)
    align: Align = "left" if beside.left > square.left else "centre"
    pen.line(beside, code, _LARGEST_CODE, bold=True, align=align)


def _setting_lines(series: FiringSeries, tile: PlannedTile) -> list[str]:
    """Return what is to be hidden from who grades a tile, what is acted on first."""
    reads = series.kiln.reads
    lines = [
        f"{both_temperatures(firing.temperature_degC, reads)}, "
        f"{format_duration(firing.dwell_s)}"
        for firing in tile.firings
    ]
    if len(lines) > 1:
        numbered = zip(tile.firings, lines, strict=True)
        lines = [f"{one.look}: {words}, load {one.load}" for one, words in numbered]
    lines.append(powder_words(tile.mesh, tile.layers, tile.base))
    if len(tile.firings) == 1:
        lines.append(place_words(tile.firings[0]))
    return [*lines, f"{_colour(series, tile)} · {tile.role}"]


def _colour(series: FiringSeries, tile: PlannedTile) -> str:
    # A control tile carries another colour than the one under test.
    return "control colour" if tile.role == "control" else series.enamel.colour


def place_words(firing: TileFiring) -> str:
    """Write where a tile is fired, such as ``session 1 · load 3 · place 2``."""
    return f"session {firing.session} · load {firing.load} · place {firing.place}"
