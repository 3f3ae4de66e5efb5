"""One label per tile: code, QR square with the same code, and its settings."""

from __future__ import annotations

from collections.abc import Sequence

from firelab.series.firing_series import FiringSeries
from firelab.sheets.label_stock import LabelStock
from firelab.sheets.page_size import MM, Box, PageSize
from firelab.sheets.pen import Pen
from firelab.sheets.sheet_page import SheetPage
from firelab.sheets.tile_places import PlannedTile, TileFiring
from firelab.sheets.tile_words import (
    both_temperatures,
    dwell_words,
    powder_words,
    temperature_words,
)

_LARGEST_QR = 26 * MM
_SMALLEST_QR = 10 * MM
_QR_SHARE = 0.42
_CODE_SIZE = 34.0


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


def draw_cut_lines(pen: Pen, cell: Box) -> None:
    """Draw dashed lines round a label."""
    for x0, y0, x1, y1 in (
        (cell.left, cell.top, cell.right, cell.top),
        (cell.left, cell.bottom, cell.right, cell.bottom),
        (cell.left, cell.top, cell.left, cell.bottom),
        (cell.right, cell.top, cell.right, cell.bottom),
    ):
        pen.rule(x0, y0, x1, y1, grey=0.4, weight=0.5, dashed=True)


def draw_label(pen: Pen, cell: Box, series: FiringSeries, tile: PlannedTile) -> None:
    """Draw one label into its box."""
    pad = min(2.2 * MM, 0.05 * min(cell.width, cell.height) + 0.5 * MM)
    inner = cell.inset(pad)
    side = min(inner.height, inner.width * _QR_SHARE, _LARGEST_QR)
    side = max(side, min(_SMALLEST_QR, inner.height))
    roomy = inner.height >= side * 1.45
    head_height = side if roomy else inner.height
    head = inner.upper(head_height)
    square, beside = head.columns(side, inner.width - side)
    pen.qr_square(square.upper(side), tile.code)
    beside = Box(
        left=beside.left + 1 * MM,
        top=beside.top,
        width=beside.width - 1 * MM,
        height=beside.height,
    )
    if roomy:
        _draw_code(pen, beside, series, tile)
        _draw_settings(pen, inner.below(side + 0.6 * MM), series, tile)
        return
    code, settings = beside.rows(0.4, 0.6)
    pen.line(code, tile.code, _CODE_SIZE, smallest=9, bold=True)
    _draw_settings(pen, settings, series, tile)


def _draw_code(pen: Pen, box: Box, series: FiringSeries, tile: PlannedTile) -> None:
    code, role, colour = box.rows(0.56, 0.2, 0.24)
    pen.line(code, tile.code, _CODE_SIZE, smallest=9, bold=True)
    pen.line(role, tile.role, 10, smallest=4, bold=tile.role != "test")
    # A control tile carries another colour than the one under test.
    shown = "control colour" if tile.role == "control" else series.enamel.colour
    pen.block(colour, shown, 8, smallest=4)


def _draw_settings(pen: Pen, box: Box, series: FiringSeries, tile: PlannedTile) -> None:
    reads = series.kiln.reads
    powder = powder_words(tile.mesh, tile.layers, tile.base)
    if len(tile.firings) > 1:
        rows = box.rows(*([1.0] * (len(tile.firings) + 1)))
        for row, firing in zip(rows, tile.firings, strict=False):
            setting = both_temperatures(firing.temperature_degC, reads)
            dwell = dwell_words(firing.dwell_s)
            words = f"{firing.look}: {setting}, {dwell}, load {firing.load}"
            pen.line(row, words, 10, smallest=3.5, bold=True)
        pen.line(rows[-1], powder, 8, smallest=3.5)
        return
    firing = tile.firings[0]
    own, other = temperature_words(firing.temperature_degC, reads)
    heat, middle, low = box.rows(0.44, 0.28, 0.28)
    left, right = heat.columns(0.66, 0.34, gap=1 * MM)
    first, second = left.columns(0.6, 0.4, gap=1 * MM)
    pen.line(first, own, 15, smallest=4, bold=True)
    pen.line(second, other, 9, smallest=3.5)
    pen.line(right, dwell_words(firing.dwell_s), 12, smallest=4, bold=True, align="right")
    pen.line(middle, powder, 9, smallest=3.5)
    pen.line(low, place_words(firing), 9, smallest=3.5)


def place_words(firing: TileFiring) -> str:
    """Write where a tile is fired, such as ``session 1 · load 3 · place 2``."""
    return f"session {firing.session} · load {firing.load} · place {firing.place}"
