"""Where each tile stands: the rack in the kiln, and the tray until tiles are cool."""

from __future__ import annotations

import math
from collections.abc import Sequence

from firelab.series.firing_series import FiringSeries
from firelab.sheets.page_size import MM, Box, PageSize
from firelab.sheets.pen import Pen
from firelab.sheets.sheet_page import SheetPage, body_box
from firelab.sheets.tables import spread_rows
from firelab.sheets.tile_places import KilnLoad
from firelab.sheets.tile_words import temperature_words

MOST_EMPTY_PLACES = 12
_CAPTION = 6 * MM
_SIDE = 18.5 * MM
_LOWEST_STRIP, _HIGHEST_STRIP = 23 * MM, 26 * MM
_TRAY_ACROSS = 6
_TRAY_HEAD = 20 * MM


def _shown_places(series: FiringSeries, load: KilnLoad) -> int:
    used = max((firing.place for firing in load.firings), default=0)
    whole = series.budget.places
    return max(used, whole if whole <= MOST_EMPTY_PLACES else used)


def _across(places: int) -> int:
    return min(3, max(2, math.ceil(math.sqrt(places))))


def rack_map_height(series: FiringSeries, load: KilnLoad, width: float) -> float:
    """Return the height a rack map needs, points."""
    places = _shown_places(series, load)
    side = min(_SIDE, (width - 8 * MM) / _across(places))
    return 2 * _CAPTION + math.ceil(places / _across(places)) * side + 2 * MM


def draw_rack_map(pen: Pen, box: Box, series: FiringSeries, load: KilnLoad) -> None:
    """Draw the places of a load as seen from above, the door below."""
    places = _shown_places(series, load)
    across = _across(places)
    down = math.ceil(places / across)
    side = min(_SIDE, (box.width - 4 * MM) / across)
    left = box.left + (box.width - side * across) / 2
    pen.line(box.upper(_CAPTION), "rack, from above", 9.5, align="centre")
    codes = {firing.place: firing.tile for firing in load.firings}
    for place in range(1, places + 1):
        row, column = divmod(place - 1, across)
        cell = Box(
            left=left + column * side,
            top=box.top + _CAPTION + (down - 1 - row) * side,
            width=side,
            height=side,
        )
        _draw_place(pen, cell, str(place), codes.get(place, ""))
    low = box.below(_CAPTION + down * side).upper(_CAPTION)
    pen.line(low, "door", 9.5, bold=True, align="centre")


def _draw_place(pen: Pen, cell: Box, place: str, code: str) -> None:
    pen.rectangle(cell, weight=0.9, fill=None if code else 0.92)
    corner = Box(
        left=cell.left + 1 * MM, top=cell.top + 0.6 * MM, width=8 * MM, height=3.6 * MM
    )
    pen.line(corner, place, 8)
    if code:
        pen.line(
            cell.below(3.2 * MM).inset(1.2 * MM, 0), code, 18, bold=True, align="centre"
        )


def tray_pages(
    series: FiringSeries, loads: Sequence[KilnLoad], page: PageSize
) -> list[SheetPage]:
    """Return the tray map: a row of places per load, until its tiles are cool."""
    strips = [
        (load, first)
        for load in loads
        for first in range(0, len(load.firings), _TRAY_ACROSS)
    ]
    room = body_box(page).height - _TRAY_HEAD
    rows = spread_rows(len(strips), room, lowest=_LOWEST_STRIP, highest=_HIGHEST_STRIP)
    pages = []
    for start in range(0, len(strips), rows.per_page):
        shown = tuple(strips[start : start + rows.per_page])

        def draw(
            pen: Pen, body: Box, shown: tuple[tuple[KilnLoad, int], ...] = shown
        ) -> None:
            _draw_tray(pen, body, series, shown, rows.height)

        pages.append(SheetPage(title="Tray map until cool", draw=draw))
    return pages


def _draw_tray(
    pen: Pen,
    body: Box,
    series: FiringSeries,
    strips: Sequence[tuple[KilnLoad, int]],
    height: float,
) -> None:
    words = (
        "Lay each hot tile on the tray at its own place: a hot tile cannot be turned over "
        "to read its code. Copy the places onto the tray, or lay this sheet beside it, "
        "never under hot tiles. Tick a tile when it is cool and its code has been read."
    )
    pen.block(body.upper(_TRAY_HEAD - 2 * MM), words, 11, smallest=8)
    for row, (load, first) in enumerate(strips):
        strip = body.below(_TRAY_HEAD + row * height).upper(height - 3 * MM)
        name, cells = strip.columns(0.17, 0.83, gap=2 * MM)
        own, other = temperature_words(load.temperature_degC, series.kiln.reads)
        title, heat, second = name.rows(0.4, 0.32, 0.28)
        pen.line(title, f"Load {load.number}", 16, smallest=9, bold=True)
        pen.line(heat, own, 12, smallest=7, bold=True)
        pen.line(second, other, 9, smallest=6)
        shown = load.firings[first : first + _TRAY_ACROSS]
        boxes = cells.columns(*([1.0] * _TRAY_ACROSS), gap=2 * MM)
        for cell, firing in zip(boxes, shown, strict=False):
            pen.rectangle(cell, weight=1.0)
            upper, lower = cell.inset(1.2 * MM).rows(0.62, 0.38)
            pen.line(upper, firing.tile, 22, smallest=12, bold=True, align="centre")
            place, tick = lower.columns(0.7, 0.3)
            pen.line(place, f"place {firing.place}", 9)
            pen.tick_box(tick, 5 * MM)
