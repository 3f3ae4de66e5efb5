"""One label per tile: code, QR square with the same code, and its settings.

They are printed on any label stock by its size in millimetres, or on plain paper
with cut lines.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.units import format_duration
from firelab.errors import UsageError
from firelab.series.firing_series import FiringSeries
from firelab.series.marks import marked_code
from firelab.sheets.fitting import text_width
from firelab.sheets.page import MM, Box, PageSize
from firelab.sheets.pen import Pen, SheetPage, body_box
from firelab.sheets.tile_places import (
    PlannedTile,
    TileFiring,
    both_temperatures,
    powder_words,
    temperature_words,
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


CUT_LABELS = LabelStock(width_mm=62.0, height_mm=42.0, cut_lines=True)
"""Labels on plain paper, to be cut out."""


def parse_pair_mm(text: str, what: str) -> tuple[float, float]:
    """Return two lengths written as ``63.5x38.1``, millimetres.

    Raises
    ------
    UsageError
        If the text is not a pair.

    Examples
    --------
    >>> parse_pair_mm("63.5x38.1", "labels"), parse_pair_mm("2,5 x 0 mm", "gaps")
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
    labels: str, *, margins: str | None = None, gaps: str | None = None
) -> LabelStock:
    """Return the label stock that a person wrote.

    Parameters
    ----------
    labels : str
        ``cut``, or the size of one label such as ``63.5x38.1``.
    margins, gaps : str, optional
        Left and top margin; gaps across and down; in the same form.

    Raises
    ------
    UsageError
        If a text is not a pair of millimetres.

    Examples
    --------
    >>> parse_label_stock("cut").cut_lines
    True
    >>> parse_label_stock("63.5x38.1", margins="7.2x15.1", gaps="2.5x0").gap_across_mm
    2.5
    """
    if labels.strip().lower() == "cut":
        return CUT_LABELS
    width, height = parse_pair_mm(labels, "labels")
    left, top = parse_pair_mm(margins, "margins") if margins else (None, None)
    across, down = parse_pair_mm(gaps, "gaps") if gaps else (0.0, 0.0)
    return LabelStock(
        width_mm=width,
        height_mm=height,
        left_mm=left,
        top_mm=top,
        gap_across_mm=across,
        gap_down_mm=down,
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
    pen.qr_square(square, marked_code(series.mark, tile.code))
    code, role, colour = beside.rows(0.56, 0.2, 0.24)
    pen.line(code, marked_code(series.mark, tile.code), 34 * scale, smallest=9, bold=True)
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
    dwell = format_duration(firing.dwell_s)
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
    pen.qr_square(square.upper(side), marked_code(series.mark, tile.code))
    head, settings = beside.rows(0.38, 0.62)
    code, role = head.columns(0.72, 0.28, gap=1 * MM)
    pen.line(code, marked_code(series.mark, tile.code), 34 * scale, smallest=7, bold=True)
    bold = tile.role != "test"
    pen.line(role, tile.role, 10 * scale, smallest=3, bold=bold, align="right")
    if len(tile.firings) > 1:
        _draw_firings(pen, settings, series, tile, scale)
        return
    firing = tile.firings[0]
    heat, dwell, powder, place = settings.rows(0.3, 0.26, 0.22, 0.22)
    _draw_heat(pen, heat, series, firing, scale)
    pen.line(dwell, format_duration(firing.dwell_s), 13 * scale, smallest=3, bold=True)
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
        words = f"{firing.look}: {setting}, {format_duration(firing.dwell_s)}"
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
