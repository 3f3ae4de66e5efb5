"""The grades side by side: drawing, name, one line of words, and a box to tick."""

from __future__ import annotations

from firelab.craft.stages import STAGE_DESCRIPTIONS
from firelab.series.firing_series import FiringSeries
from firelab.sheets.grade_textures import draw_texture
from firelab.sheets.page_size import MM, Box
from firelab.sheets.pen import Pen


def draw_grade(
    pen: Pen, cell: Box, grade: str, rank: int, *, side: float, target: bool, size: float
) -> None:
    """Draw one grade: its texture, then its rank, name and description below.

    Parameters
    ----------
    pen : Pen
        Draws on the page.
    cell : Box
        Filled from the top.
    grade : str
        Name of the grade; one without a description is only named.
    rank : int
        Its place on the scale, from 1.
    side : float
        Of the drawing, points; at most the width of the cell.
    target : bool
        Whether the grade is wanted.
    size : float
        Of the name, points.
    """
    square = min(side, cell.width)
    draw_texture(
        pen,
        Box(left=cell.left, top=cell.top, width=square, height=square),
        grade,
        rank,
    )
    words = cell.below(square + 0.8 * MM)
    said = f"{rank} {grade} (target)" if target else f"{rank} {grade}"
    used = pen.block(words.upper(words.height * 0.5), said, size, smallest=4, bold=True)
    told = STAGE_DESCRIPTIONS.get(grade, "")
    if told:
        room = words.below(used).upper(words.height - used)
        pen.block(room, told, size * 0.85, smallest=4)


def draw_own_grades(pen: Pen, box: Box, series: FiringSeries) -> None:
    """Draw the grades of a series for one tile, each with a box, then score and note."""
    stage, scale = series.responses.stage, series.responses.transparency
    named = ["defects, note"]
    if scale is not None:
        named.insert(0, f"clarity {scale.low:g} to {scale.high:g}: {scale.direction}")
    cells = box.columns(*([1.0] * (len(stage.grades) + len(named))), gap=3 * MM)
    tick = min(12 * MM, box.height * 0.2)
    upper = box.height - tick
    side = min(cells[0].width, upper * 0.55, 30 * MM)
    for rank, (grade, cell) in enumerate(zip(stage.grades, cells, strict=False), start=1):
        target = grade in stage.target
        draw_grade(pen, cell.upper(upper), grade, rank, side=side, target=target, size=11)
        low = cell.below(upper)
        square = Box(left=low.left, top=low.top, width=low.height, height=low.height)
        pen.tick_box(square, min(8 * MM, low.height * 0.8))
    for cell, name in zip(cells[len(stage.grades) :], named, strict=True):
        used = pen.block(cell.upper(upper * 0.45), name, 10, smallest=5, bold=True)
        pen.rectangle(cell.below(used + 1 * MM), weight=0.8)
