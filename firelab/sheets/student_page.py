"""A class: one page per student, with the tiles that are the student's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.plan.plan import Plan
from firelab.plan.powder import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.sheets.grade_textures import draw_texture
from firelab.sheets.labels import draw_label, place_words
from firelab.sheets.page_size import MM, Box
from firelab.sheets.pen import Pen
from firelab.sheets.preparation_sheet import step_words
from firelab.sheets.sheet_page import SheetPage
from firelab.sheets.tile_places import PlannedTile
from firelab.sheets.tile_words import (
    both_temperatures,
    dwell_words,
    grams_words,
    powder_words,
)

_TILES_ON_PAGE = 3


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


def student_pages(
    series: FiringSeries, plan: Plan, students: Sequence[Student]
) -> list[SheetPage]:
    """Return one page per student, or more where a student has many tiles."""
    pages = []
    for student in students:
        for first in range(0, len(student.tiles), _TILES_ON_PAGE):
            shown = student.tiles[first : first + _TILES_ON_PAGE]

            def draw(
                pen: Pen,
                body: Box,
                student: Student = student,
                shown: tuple[PlannedTile, ...] = shown,
            ) -> None:
                _draw_student(pen, body, series, plan, student, shown)

            pages.append(SheetPage(title="Your tile", draw=draw))
    return pages


def _draw_student(
    pen: Pen,
    body: Box,
    series: FiringSeries,
    plan: Plan,
    student: Student,
    tiles: Sequence[PlannedTile],
) -> None:
    name, told, rest = body.rows(14 * MM, 12 * MM, body.height - 26 * MM)
    pen.line(name, student.name, 26, smallest=10, bold=True)
    pen.block(told, series.question or series.name, 12, smallest=7)
    low = 58 * MM
    each = min(112 * MM, (rest.height - low) / len(tiles))
    for place, tile in enumerate(tiles):
        box = rest.below(place * each).upper(each - 4 * MM)
        pen.rectangle(box, weight=1.2)
        _draw_tile(pen, box.inset(3 * MM), series, plan, tile)
    _draw_cautions(pen, rest.below(len(tiles) * each).upper(low))


def _draw_tile(
    pen: Pen, box: Box, series: FiringSeries, plan: Plan, tile: PlannedTile
) -> None:
    label_height = min(44 * MM, box.height * 0.5)
    upper, lower = box.rows(label_height, box.height - label_height, gap=2 * MM)
    label, steps = upper.columns(0.4, 0.6, gap=4 * MM)
    draw_label(pen, label, series, tile)
    lines = _own_steps(series, plan, tile)
    used = 0.0
    for number, words in enumerate(lines, start=1):
        left = steps.below(used).upper(
            max(4 * MM, (steps.height - used) / (len(lines) - number + 1))
        )
        tick, text = left.columns(0.07, 0.93)
        pen.tick_box(tick.upper(4.5 * MM), 3.6 * MM)
        pen.block(text, words, 10, smallest=5)
        used += left.height
    _draw_grades(pen, lower, series)


def _own_steps(series: FiringSeries, plan: Plan, tile: PlannedTile) -> list[str]:
    reads = series.kiln.reads
    lines = [f"Scratch {tile.code} into the bare back."]
    for step in plan.preparation:
        if tile.code in step.tiles:
            heat = both_temperatures(step.temperature_degC, reads)
            lines.append(
                f"{step_words(step)}: fire at {heat}, {dwell_words(step.dwell_s)}."
            )
    powder = powder_words(tile.mesh, tile.layers, tile.base)
    grams = grams_words(coat_grams(series))
    lines.append(f"Sift the test coat, {grams} a coat: {powder}.")
    for firing in tile.firings:
        heat = both_temperatures(firing.temperature_degC, reads)
        lines.append(
            f"Fire at {heat}, {dwell_words(firing.dwell_s)}: {place_words(firing)}."
        )
    return lines


def _draw_grades(pen: Pen, box: Box, series: FiringSeries) -> None:
    stage = series.responses.stage
    count = len(stage.grades) + (1 if series.responses.transparency else 0) + 1
    cells = box.columns(*([1.0] * count), gap=2 * MM)
    side = min(cells[0].width, max(6 * MM, box.height - 22 * MM), 24 * MM)
    for rank, (grade, cell) in enumerate(zip(stage.grades, cells, strict=False), start=1):
        square = Box(
            left=cell.left + (cell.width - side) / 2, top=cell.top, width=side, height=side
        )
        draw_texture(pen, square, grade, rank)
        pen.block(
            cell.below(side + 1 * MM).upper(9 * MM),
            f"{rank} {grade}",
            10,
            smallest=5,
            bold=True,
            align="centre",
        )
        pen.tick_box(cell.below(side + 10 * MM).upper(9 * MM), 7 * MM)
    rest = list(cells[len(stage.grades) :])
    names = ["defects, note"]
    if series.responses.transparency:
        scale = series.responses.transparency
        names.insert(0, f"clarity {scale.low:g} to {scale.high:g}, {scale.direction}")
    for cell, name in zip(rest, names, strict=True):
        pen.block(cell.upper(9 * MM), name, 9, smallest=5, bold=True)
        pen.rectangle(cell.below(9.5 * MM).upper(side + 9 * MM - 0.5 * MM), weight=0.8)


def _draw_cautions(pen: Pen, box: Box) -> None:
    pen.rectangle(box, weight=1.5, fill=0.95)
    inner = box.inset(3 * MM, 2 * MM)
    words = " ".join(f"{name}: {said}" for name, said in CAUTIONS)
    pen.block(inner, f"{words} {DEFERENCE}", 10, smallest=5)
