"""The kiln sheet, load by load, with each tile's place in the rack and on the tray.

It is read at arm's length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from firelab.craft.degrees import SIGN
from firelab.craft.units import format_duration
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import marked_code
from firelab.sheets.boxes import spread_rows
from firelab.sheets.page import MM, Box, PageSize
from firelab.sheets.pen import Pen, SheetPage, body_box
from firelab.sheets.tile_places import (
    KilnLoad,
    TileFiring,
    earlier_words,
    temperature_words,
)

MOST_EMPTY_PLACES = 12
_CAPTION = 5 * MM
_SIDE = 15.5 * MM
_LOWEST_STRIP, _HIGHEST_STRIP = 23 * MM, 26 * MM
_TRAY_ACROSS = 6
_TRAY_HEAD = 20 * MM


def _shown_places(series: FiringSeries, load: KilnLoad) -> int:
    used = max((firing.place for firing in load.firings), default=0)
    whole = series.budget.places
    return max(used, whole if whole <= MOST_EMPTY_PLACES else used)


def _across(places: int) -> int:
    return min(3, max(2, math.ceil(math.sqrt(places))))


def _rack_map_height(
    series: FiringSeries, load: KilnLoad, width: float, scale: float = 1.0
) -> float:
    """Return the height a rack map needs, points."""
    places = _shown_places(series, load)
    side = _side(places, width, scale)
    return 2 * _CAPTION + math.ceil(places / _across(places)) * side + 1 * MM


def _side(places: int, width: float, scale: float) -> float:
    return min(_SIDE * scale, (width - 8 * MM) / _across(places))


def _draw_rack_map(
    pen: Pen, box: Box, series: FiringSeries, load: KilnLoad, scale: float = 1.0
) -> None:
    """Draw the places of a load as seen from above, the door below."""
    places = _shown_places(series, load)
    across = _across(places)
    down = math.ceil(places / across)
    side = _side(places, box.width, scale)
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
        _draw_place(pen, cell, str(place), series.mark, codes.get(place, ""))
    low = box.below(_CAPTION + down * side).upper(_CAPTION)
    pen.line(low, "door", 9.5, bold=True, align="centre")


def _draw_place(pen: Pen, cell: Box, place: str, mark: str, code: str) -> None:
    pen.rectangle(cell, weight=0.9, fill=None if code else 0.92)
    above, below = cell.inset(1.2 * MM, 0.6 * MM).rows(0.26, 0.74)
    pen.line(above, place, 9)
    if code:
        if mark:
            pen.line(above, mark, 10, bold=True, align="right")
        pen.line(below, code, 18, bold=True, align="centre")


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
        pen.line(heat, own, 12, bold=True)
        pen.line(second, other, 9)
        shown = load.firings[first : first + _TRAY_ACROSS]
        boxes = cells.columns(*([1.0] * _TRAY_ACROSS), gap=2 * MM)
        for cell, firing in zip(boxes, shown, strict=False):
            pen.rectangle(cell, weight=1.0)
            upper, lower = cell.inset(1.2 * MM).rows(0.62, 0.38)
            pen.line(
                upper,
                marked_code(series.mark, firing.tile),
                22,
                smallest=12,
                bold=True,
                align="centre",
            )
            place, tick = lower.columns(0.7, 0.3)
            pen.line(place, f"place {firing.place}", 9)
            pen.tick_box(tick, 5 * MM)


HEAD_HEIGHT = 12.5 * MM
WAIT_HEIGHT = 8.4 * MM
READ_HEIGHT = 11.5 * MM
COLUMNS_HEIGHT = 5 * MM
ROW_HEIGHT = 9.6 * MM
"""Of one tile. All heights are the least: three loads of four tiles fill a page."""
LARGEST_SCALE = 1.35
"""By which all heights grow together where a page has room (chosen here, no source)."""
BEFORE_HEIGHT = 5.6 * MM
"""Of the line under a tile that is fired on."""
GAP = 3.5 * MM
MAP_SHARE = 0.33
LOW_MAP = 0.75
"""Of the map of a single tile: with it two rows of places are as high as what stands
beside them (chosen here, no source)."""
KEY_SIZE = 18.0
"""Smallest size of a number that is acted on at the kiln, points."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadBlock:
    """A load, or what of it fits on one page, as the kiln sheet shows it."""

    load: KilnLoad
    wait: str
    differs: bool
    continued: bool

    def height(self, series: FiringSeries, width: float, scale: float = 1.0) -> float:
        """Return the height at a scale, points."""
        rows = COLUMNS_HEIGHT * scale
        rows += sum(_height(one, scale) for one in self.load.firings)
        before = (WAIT_HEIGHT + READ_HEIGHT) * scale
        shrunk = scale * self.map_scale
        places = _rack_map_height(series, self.load, width * MAP_SHARE, shrunk)
        if self.is_low:
            return HEAD_HEIGHT * scale + max(before + rows, places)
        return HEAD_HEIGHT * scale + before + max(rows, places)

    @property
    def is_low(self) -> bool:
        """Whether it is of one tile: then its map stands beside everything else."""
        return len(self.load.firings) == 1

    @property
    def map_scale(self) -> float:
        """Scale of its map beside that of the rest."""
        return LOW_MAP if self.is_low else 1.0


def _height(firing: TileFiring, scale: float) -> float:
    return ROW_HEIGHT * scale + (BEFORE_HEIGHT if firing.is_fired_on else 0.0)


def _wait_words(series: FiringSeries, before: KilnLoad | None, load: KilnLoad) -> str:
    """Say what to wait for before a load."""
    change = format_duration(series.budget.change)
    recovery = format_duration(series.budget.recovery)
    if before is None:
        return f"Heat up: {change}"
    if before.temperature_degC == load.temperature_degC:
        return f"Same heat: recover {recovery}"
    turn = "up" if load.temperature_degC > before.temperature_degC else "down"
    return f"Recover {recovery}, then go {turn}: {change}"


def kiln_pages(
    series: FiringSeries, loads: Sequence[KilnLoad], page: PageSize
) -> list[SheetPage]:
    """Return the kiln sheet, a new page for each session."""
    body = body_box(page)
    pages: list[SheetPage] = []
    held: list[LoadBlock] = []
    used, before = 0.0, None
    for load in loads:
        new_session = before is not None and before.session != load.session
        if new_session:
            before = None
        for block in load_blocks(series, before, load, body):
            height = block.height(series, body.width)
            if held and (new_session or used + height > body.height):
                pages.append(_page(series, held))
                held, used = [], 0.0
            new_session = False
            held.append(block)
            used += height + GAP
        before = load
    return [*pages, _page(series, held)] if held else pages


def load_blocks(
    series: FiringSeries, before: KilnLoad | None, load: KilnLoad, body: Box
) -> list[LoadBlock]:
    """Return a load in parts of which each fits on a page."""
    fixed = HEAD_HEIGHT + WAIT_HEIGHT + READ_HEIGHT + COLUMNS_HEIGHT
    tallest = max(_height(firing, 1.0) for firing in load.firings)
    most = max(1, int((body.height - fixed) // tallest))
    out = sorted(load.firings, key=lambda firing: (firing.dwell_s, firing.order))
    wait = _wait_words(series, before, load)
    blocks = []
    for first in range(0, len(out), most):
        part = replace(load, firings=tuple(out[first : first + most]))
        blocks.append(
            LoadBlock(
                load=part,
                wait=wait,
                differs=out[0].dwell_s != out[-1].dwell_s,
                continued=first > 0,
            )
        )
    return blocks


def _page(series: FiringSeries, blocks: Sequence[LoadBlock]) -> SheetPage:
    shown = tuple(blocks)

    def draw(pen: Pen, body: Box) -> None:
        scale = largest_scale(series, shown, body)
        used = 0.0
        for block in shown:
            height = block.height(series, body.width, scale)
            draw_load(pen, body.below(used).upper(height), series, block, scale)
            used += height + GAP

    session = shown[0].load.session
    return SheetPage(
        title=f"Kiln sheet · session {session}", draw=draw, blanks=("date", "fired by")
    )


def largest_scale(series: FiringSeries, blocks: Sequence[LoadBlock], room: Box) -> float:
    """Return the scale at which loads fill a box, none below 1."""
    scale = LARGEST_SCALE
    while scale > 1.0:
        heights = sum(block.height(series, room.width, scale) for block in blocks)
        if heights + GAP * (len(blocks) - 1) <= room.height:
            return scale
        scale -= 0.01
    return 1.0


def draw_load(
    pen: Pen, box: Box, series: FiringSeries, block: LoadBlock, scale: float
) -> None:
    """Draw a load into a box of its height at that scale."""
    head, wait, read = (scale * one for one in (HEAD_HEIGHT, WAIT_HEIGHT, READ_HEIGHT))
    _draw_head(pen, box.upper(head), series, block)
    rest = box.below(head)
    left, right = rest.columns(1 - MAP_SHARE, MAP_SHARE, gap=4 * MM)
    wide = left if block.is_low else rest
    tick, words = wide.upper(wait).columns(11 * MM, wide.width - 11 * MM)
    pen.tick_box(tick, 7 * MM)
    pen.line(words, block.wait, KEY_SIZE, smallest=KEY_SIZE * 0.8, bold=True)
    _draw_read_boxes(pen, wide.below(wait).upper(read), series)
    _draw_rows(pen, left.below(wait + read), series, block, scale)
    places = right if block.is_low else right.below(wait + read)
    _draw_rack_map(pen, places, series, block.load, scale * block.map_scale)
    pen.rectangle(box, weight=1.6)


def _draw_head(pen: Pen, head: Box, series: FiringSeries, block: LoadBlock) -> None:
    own, other = temperature_words(block.load.temperature_degC, series.kiln.reads)
    pen.rectangle(head, weight=1.6, fill=0.9)
    name, heat, second = head.inset(3 * MM, 0).columns(0.36, 0.4, 0.24, gap=3 * MM)
    word = f"Load {block.load.number}" + (" (more)" if block.continued else "")
    pen.line(name, word, 26, smallest=14, bold=True)
    pen.line(heat, own, 36, smallest=KEY_SIZE, bold=True, align="right")
    pen.line(second, other, 22, smallest=KEY_SIZE, align="right")


def _draw_read_boxes(pen: Pen, row: Box, series: FiringSeries) -> None:
    read, clock = row.inset(3 * MM, 1.5 * MM).columns(0.58, 0.42, gap=6 * MM)
    words, box, sign = read.columns(0.42, 0.46, 0.12, gap=2 * MM)
    pen.block(words, "kiln reads, tiles in", 13, smallest=8, middle=True)
    pen.rectangle(box, weight=1.2)
    pen.line(sign, SIGN[series.kiln.reads], KEY_SIZE, bold=True)
    words, box = clock.columns(0.42, 0.58, gap=2 * MM)
    pen.block(words, "door shut at (clock)", 13, smallest=8, middle=True)
    pen.rectangle(box, weight=1.2)


_ROW_SHARES = (0.09, 0.28, 0.37, 0.26)


def _draw_rows(
    pen: Pen, box: Box, series: FiringSeries, block: LoadBlock, scale: float
) -> None:
    top = COLUMNS_HEIGHT * scale
    head = box.upper(top).inset(3 * MM, 0)
    names = ("out", "tile", "leave in", "true time, min : s")
    for cell, name in zip(head.columns(*_ROW_SHARES, gap=2.6 * MM), names, strict=True):
        pen.line(cell, name, 9.5)
    height = ROW_HEIGHT * scale
    for firing in block.load.firings:
        _draw_row(pen, box.below(top).upper(height).inset(3 * MM, 0), series, firing)
        if firing.is_fired_on:
            low = box.below(top + height).upper(BEFORE_HEIGHT - 0.8 * MM)
            had = earlier_words(firing.before, series.kiln.reads)
            words = f"look {firing.look}, fired on after {had}"
            pen.line(low.inset(3 * MM, 0), words, 11)
        top += _height(firing, scale)


def _draw_row(pen: Pen, row: Box, series: FiringSeries, firing: TileFiring) -> None:
    pen.rule(row.left, row.top, row.right, row.top, grey=0.5, weight=0.5)
    tick, code, dwell, true = row.columns(*_ROW_SHARES, gap=2.6 * MM)
    pen.tick_box(tick, 7.5 * MM)
    whole = marked_code(series.mark, firing.tile)
    pen.line(code, whole, 25, smallest=KEY_SIZE * 0.8, bold=True)
    pen.line(dwell, format_duration(firing.dwell_s), 25, smallest=KEY_SIZE, bold=True)
    pen.rectangle(true.inset(0, 1.5 * MM), weight=1.2)
    middle = true.left + true.width / 2
    pen.line(
        Box(left=middle - 2 * MM, top=row.top, width=4 * MM, height=row.height),
        ":",
        KEY_SIZE,
        align="centre",
    )
