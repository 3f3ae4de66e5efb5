"""A class: its names, which tiles are whose, and the pages of each student."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from firelab.craft.units import format_duration
from firelab.errors import UsageError
from firelab.plan.plan import Plan
from firelab.plan.stock import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import marked_code
from firelab.sheets.boxes import draw_cautions
from firelab.sheets.grade_boxes import draw_own_grades
from firelab.sheets.labels import draw_label, place_words
from firelab.sheets.page import MM, Box
from firelab.sheets.pen import Pen, SheetPage
from firelab.sheets.preparation_sheet import coat_words
from firelab.sheets.tile_places import (
    PlannedTile,
    blind_place,
    both_temperatures,
    code_words,
    earlier_words,
    grams_words,
    powder_words,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Student:
    """A student and the tiles that are the student's own."""

    name: str
    tiles: tuple[PlannedTile, ...]


def deal_tiles(
    tiles: Sequence[PlannedTile], names: Sequence[str] | None = None
) -> tuple[Student, ...]:
    """Deal tiles to students in turn; without names, one student for each tile.

    Parameters
    ----------
    tiles : sequence of PlannedTile
        In firing order.
    names : sequence of str, optional
        As printed; a student beyond the number of tiles gets none and no page.
    """
    if not names:
        return tuple(
            Student(name=f"Student {number}", tiles=(tile,))
            for number, tile in enumerate(tiles, start=1)
        )
    dealt = (
        Student(name=name, tiles=tuple(tiles[first :: len(names)]))
        for first, name in enumerate(names)
    )
    return tuple(student for student in dealt if student.tiles)


def read_class_list(path: str | Path) -> tuple[str, ...]:
    """Return the names in a text file, one a line, blank lines left out.

    Parameters
    ----------
    path : str or Path
        UTF-8 text.

    Raises
    ------
    UsageError
        If the file cannot be read, is not UTF-8 text, or holds no name.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as fault:
        raise UsageError(
            f"cannot be read: {fault.strerror}", str(path), "name a text file of names"
        ) from None
    except UnicodeDecodeError as fault:
        raise UsageError(
            f"is not UTF-8 text at byte {fault.start}", str(path), "save it as UTF-8"
        ) from None
    names = tuple(line.strip() for line in text.splitlines() if line.strip())
    if not names:
        raise UsageError("holds no name", str(path), "write one name a line")
    return names


_TILES_ON_PAGE = 2
_GRADED_ON_PAGE = 3
_TILE = 84 * MM
_GRADED = 70 * MM
_CAUTIONS = 58 * MM
_HEAD = 28 * MM
_EXCHANGE = (
    "Handed out when the tiles are cool. Exchange tiles with a neighbour, so that no one "
    "grades a tile whose firing they know. Tick one grade, as seen."
)


def student_pages(
    series: FiringSeries, plan: Plan, students: Sequence[Student]
) -> list[SheetPage]:
    """Return for each student the pages to make tiles by, then those to grade them on.

    A page to grade on shows the tile's code and nothing of its setting.
    """
    question = series.question or series.name
    made = functools.partial(_draw_tiles, series=series, plan=plan)
    seen = functools.partial(_draw_graded, series=series)
    pages = []
    for student in students:
        mixed = sorted(student.tiles, key=lambda tile: blind_place(series, tile.code))
        for title, words, tiles, most, draw in (
            ("Your tile", question, student.tiles, _TILES_ON_PAGE, made),
            ("Your grades", _EXCHANGE, mixed, _GRADED_ON_PAGE, seen),
        ):
            pages += [
                _page(title, (student.name, words), tiles[first : first + most], draw)
                for first in range(0, len(tiles), most)
            ]
    return pages


def _page(
    title: str,
    head: tuple[str, str],
    tiles: Sequence[PlannedTile],
    draw_below: Callable[[Pen, Box, Sequence[PlannedTile]], None],
) -> SheetPage:
    def draw(pen: Pen, body: Box) -> None:
        name, words = head
        room = body.upper(_HEAD)
        pen.line(room.upper(14 * MM), name, 26, smallest=8, bold=True)
        pen.block(room.below(15 * MM).upper(11 * MM), words, 12)
        draw_below(pen, body.below(_HEAD), tiles)

    return SheetPage(title=title, draw=draw)


def _draw_tiles(
    pen: Pen, box: Box, tiles: Sequence[PlannedTile], *, series: FiringSeries, plan: Plan
) -> None:
    each = min(_TILE, (box.height - _CAUTIONS) / len(tiles))
    for place, tile in enumerate(tiles):
        frame = box.below(place * each).upper(each - 4 * MM)
        pen.rectangle(frame, weight=1.2)
        label, steps = frame.inset(3 * MM).columns(0.34, 0.66, gap=5 * MM)
        draw_label(pen, label.upper(min(label.height, 48 * MM)), series, tile, blind=True)
        lines = _own_steps(series, plan, tile)
        shares = [1 + len(words) // 75 for words in lines]
        for row, words in zip(steps.rows(*shares), lines, strict=True):
            tick, text = row.columns(0.08, 0.92)
            side = min(4.8 * MM, row.height * 0.8)
            pen.tick_box(tick.upper(side * 1.1), side)
            pen.block(text, words, 11)
    draw_cautions(pen, box.below(len(tiles) * each), largest=11)


def _draw_graded(
    pen: Pen, box: Box, tiles: Sequence[PlannedTile], *, series: FiringSeries
) -> None:
    for place, tile in enumerate(tiles):
        frame = box.below(place * _GRADED).upper(_GRADED - 4 * MM)
        pen.rectangle(frame, weight=1.2)
        code, grades = frame.inset(3 * MM).rows(0.24, 0.76, gap=2 * MM)
        pen.line(code, marked_code(series.mark, tile.code), 30, smallest=12, bold=True)
        draw_own_grades(pen, grades, series)


def _own_steps(series: FiringSeries, plan: Plan, tile: PlannedTile) -> list[str]:
    reads, code = series.kiln.reads, marked_code(series.mark, tile.code)
    if not tile.is_new:
        had = earlier_words(tile.firings[0].before, reads)
        fetch = f"Fetch {code}: it is fired on after {had}. Nothing is sifted."
        return [fetch, *_firing_lines(tile, reads)]
    lines = [f"{code}. {code_words(series).replace('each tile', 'the tile')}"]
    for step in plan.preparation:
        if tile.code in step.tiles:
            heat = both_temperatures(step.temperature_degC, reads)
            dwell = format_duration(step.dwell_s)
            lines.append(f"Sift {coat_words(series, step)}; fire at {heat}, {dwell}.")
    powder = powder_words(tile.mesh, tile.layers, tile.base)
    grams = grams_words(coat_grams(series))
    lines.append(f"Sift the last test coat, {grams}: {powder}.")
    return [*lines, *_firing_lines(tile, reads)]


def _firing_lines(tile: PlannedTile, reads: str) -> list[str]:
    return [
        f"Fire at {both_temperatures(firing.temperature_degC, reads)}, "
        f"{format_duration(firing.dwell_s)}: {place_words(firing)}."
        for firing in tile.firings
    ]
