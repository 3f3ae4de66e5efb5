"""One label per tile: code, QR square with the same code, and its settings."""

from __future__ import annotations

from collections.abc import Sequence

from firelab.series.firing_series import FiringSeries
from firelab.sheets.fonts import text_width
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

_USUAL_WIDTH, _USUAL_HEIGHT = 62 * MM, 42 * MM
_LARGEST_SCALE = 2.6
_QR_SHARE = 0.42
_STACKED_FROM = 25 * MM
_STACKED_RATIO = 2.0


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
    """Draw one label into its box, as large as the box allows."""
    inner = cell.inset(min(2.2 * MM, 0.05 * min(cell.width, cell.height) + 0.5 * MM))
    scale = min(cell.width / _USUAL_WIDTH, cell.height / _USUAL_HEIGHT)
    scale = max(0.6, min(_LARGEST_SCALE, scale))
    if inner.height >= _STACKED_FROM and inner.width < _STACKED_RATIO * inner.height:
        _draw_stacked(pen, inner, series, tile, scale)
    else:
        _draw_beside(pen, inner, series, tile, max(1.0, scale))


def _draw_stacked(
    pen: Pen, inner: Box, series: FiringSeries, tile: PlannedTile, scale: float
) -> None:
    """Draw code and QR square above, settings below."""
    whole = inner.upper(min(inner.height, inner.width))
    side = min(0.6 * whole.height, 0.42 * whole.width)
    square, beside = whole.upper(side).columns(side, whole.width - side, gap=1 * MM)
    pen.qr_square(square, tile.code)
    code, role, colour = beside.rows(0.56, 0.2, 0.24)
    pen.line(code, tile.code, 34 * scale, smallest=9, bold=True)
    pen.line(role, tile.role, 10 * scale, smallest=4, bold=tile.role != "test")
    pen.block(colour, _colour(series, tile), 8 * scale, smallest=4)
    settings = whole.below(side + 0.6 * MM)
    if len(tile.firings) > 1:
        _draw_firings(pen, settings, series, tile, scale)
        return
    firing = tile.firings[0]
    heat, middle, low = settings.rows(0.42, 0.29, 0.29)
    both, beside = heat.columns(0.63, 0.37, gap=2.5 * MM)
    _draw_heat(pen, both, series, firing, scale)
    dwell = dwell_words(firing.dwell_s)
    pen.line(beside, dwell, 13 * scale, smallest=3, bold=True, align="right")
    powder = powder_words(tile.mesh, tile.layers, tile.base)
    pen.block(middle, powder, 9 * scale, smallest=3, middle=True)
    pen.line(low, place_words(firing), 9 * scale, smallest=3)


def _draw_beside(
    pen: Pen, inner: Box, series: FiringSeries, tile: PlannedTile, scale: float
) -> None:
    """Draw the QR square at the left, everything else at its right."""
    side = min(inner.height, _QR_SHARE * inner.width)
    square, beside = inner.columns(side, inner.width - side, gap=1 * MM)
    pen.qr_square(square.upper(side), tile.code)
    head, settings = beside.rows(0.38, 0.62)
    code, role = head.columns(0.72, 0.28, gap=1 * MM)
    pen.line(code, tile.code, 34 * scale, smallest=7, bold=True)
    bold = tile.role != "test"
    pen.line(role, tile.role, 10 * scale, smallest=3, bold=bold, align="right")
    if len(tile.firings) > 1:
        _draw_firings(pen, settings, series, tile, scale)
        return
    firing = tile.firings[0]
    heat, dwell, powder, place = settings.rows(0.3, 0.26, 0.22, 0.22)
    _draw_heat(pen, heat, series, firing, scale)
    pen.line(dwell, dwell_words(firing.dwell_s), 13 * scale, smallest=3, bold=True)
    words = powder_words(tile.mesh, tile.layers, tile.base)
    pen.block(powder, words, 9 * scale, smallest=3, middle=True)
    pen.line(place, place_words(firing), 9 * scale, smallest=3)


def _draw_heat(
    pen: Pen, box: Box, series: FiringSeries, firing: TileFiring, scale: float
) -> None:
    """Write the temperature in the kiln's unit, and smaller in the other one."""
    own, other = temperature_words(firing.temperature_degC, series.kiln.reads)
    first = box.columns(0.6, 0.4)[0]
    size = pen.line(first, own, 15 * scale, smallest=3, bold=True)
    used = text_width(own, size, bold=True) + 0.45 * size
    second = Box(
        left=box.left + used, top=box.top, width=box.width - used, height=box.height
    )
    pen.line(second, other, 0.65 * size, smallest=3)


def _draw_firings(
    pen: Pen, box: Box, series: FiringSeries, tile: PlannedTile, scale: float
) -> None:
    """Write a line for each firing of a tile that is fired more than once."""
    rows = box.rows(*([1.0] * (len(tile.firings) + 1)))
    for row, firing in zip(rows, tile.firings, strict=False):
        setting = both_temperatures(firing.temperature_degC, series.kiln.reads)
        words = f"{firing.look}: {setting}, {dwell_words(firing.dwell_s)}"
        words += f", load {firing.load}"
        pen.line(row, words, 10 * scale, smallest=3, bold=True)
    powder = powder_words(tile.mesh, tile.layers, tile.base)
    pen.line(rows[-1], powder, 8 * scale, smallest=3)


def _colour(series: FiringSeries, tile: PlannedTile) -> str:
    # A control tile carries another colour than the one under test.
    return "control colour" if tile.role == "control" else series.enamel.colour


def place_words(firing: TileFiring) -> str:
    """Write where a tile is fired, such as ``session 1 · load 3 · place 2``."""
    return f"session {firing.session} · load {firing.load} · place {firing.place}"
