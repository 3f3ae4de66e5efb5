"""The grades side by side: drawing, name, one line of words, and a box to tick.

The drawings (grains, dimples, level gloss, burnt edge with pits) are firelab's
own. Points are scattered by a golden-ratio lattice, so that a drawing is the
same every time without a seed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

from markupsafe import escape

from firelab.craft.trade_words import STAGE_DESCRIPTIONS
from firelab.series.firing_series import FiringSeries
from firelab.sheets.page import MM, Box, PageSize
from firelab.sheets.pen import Pen

_SIDE = 60.0
_FORM = PageSize(name="drawing", width=_SIDE, height=_SIDE)
_WHOLE = Box(left=0.0, top=0.0, width=_SIDE, height=_SIDE)
_GOLDEN = 0.6180339887498949
_PLASTIC = (0.7548776662466927, 0.5698402909980532)


def draw_texture(pen: Pen, box: Box, grade: str, rank: int) -> None:
    """Draw how a grade looks; a grade without a drawing shows its rank.

    Parameters
    ----------
    pen : Pen
    box : Box
        Filled whole.
    grade : str
        Name of the grade.
    rank : int
        Its place on the scale, from 1.
    """
    drawing = _DRAWINGS.get(grade)
    if drawing is None:
        pen.rectangle(box, weight=1.0)
        pen.line(box.inset(box.width * 0.2), str(rank), box.height * 0.6, align="centre")
        return
    # Drawn once in a PDF, and shown again by reference; a blank would end its name.
    form = "grade-" + grade.replace(" ", "-")
    if not pen.canvas.hasForm(form):
        pen.canvas.beginForm(form, 0, 0, _FORM.width, _FORM.height)
        drawing(Pen(pen.canvas, _FORM), _WHOLE)
        pen.canvas.endForm()
    pen.canvas.saveState()
    pen.canvas.translate(box.left, pen.page.height - box.bottom)
    pen.canvas.scale(box.width / _FORM.width, box.height / _FORM.height)
    pen.canvas.doForm(form)
    pen.canvas.restoreState()
    pen.rectangle(box, weight=1.0)


def _scattered(count: int) -> Iterator[tuple[float, float, float]]:
    for index in range(1, count + 1):
        yield (
            (index * _PLASTIC[0]) % 1,
            (index * _PLASTIC[1]) % 1,
            (index * _GOLDEN) % 1,
        )


def _polygon(pen: Pen, points: list[tuple[float, float]], *, fill: float) -> None:
    path = pen.canvas.beginPath()
    height = pen.page.height
    path.moveTo(points[0][0], height - points[0][1])
    for x, y in points[1:]:
        path.lineTo(x, height - y)
    path.close()
    pen.canvas.setFillGray(fill)
    pen.canvas.drawPath(path, stroke=0, fill=1)


def _disc(pen: Pen, x: float, y: float, radius: float, *, fill: float) -> None:
    pen.canvas.setFillGray(fill)
    pen.canvas.circle(x, pen.page.height - y, radius, stroke=0, fill=1)


def _sugar(pen: Pen, box: Box) -> None:
    pen.rectangle(box, stroke=None, fill=0.93)
    grain = box.width * 0.045
    room = box.inset(grain * 1.3)
    for across, down, turn in _scattered(95):
        x, y = room.left + across * room.width, room.top + down * room.height
        size = grain * (0.7 + 0.5 * turn)
        corners = [
            (
                x + size * math.cos(2 * math.pi * (k / 4 + turn)),
                y + size * math.sin(2 * math.pi * (k / 4 + turn)) * (0.7 + 0.3 * across),
            )
            for k in range(4)
        ]
        _polygon(pen, corners, fill=0.1 + 0.5 * turn)


def _orange_peel(pen: Pen, box: Box) -> None:
    pen.rectangle(box, stroke=None, fill=0.62)
    across = 6
    pitch = box.width / across
    rows = max(1, round(box.height / pitch))
    for row in range(rows):
        for column in range(across - row % 2):
            x = box.left + (column + 0.5 + 0.5 * (row % 2)) * pitch
            y = box.top + (row + 0.5) * box.height / rows
            _disc(pen, x, y, pitch * 0.36, fill=0.35)
            _disc(pen, x + pitch * 0.07, y + pitch * 0.09, pitch * 0.27, fill=0.66)
            _disc(pen, x + pitch * 0.12, y + pitch * 0.14, pitch * 0.08, fill=1.0)


def _full(pen: Pen, box: Box) -> None:
    pen.rectangle(box, stroke=None, fill=0.6)
    lean = box.width * 0.28
    for start, width, grey in ((0.30, 0.17, 1.0), (0.55, 0.06, 0.9)):
        left = box.left + start * box.width
        right = left + width * box.width
        top, bottom = box.top + 0.1 * box.height, box.bottom - 0.1 * box.height
        _polygon(
            pen,
            [
                (left + lean, top),
                (right + lean, top),
                (right - lean, bottom),
                (left - lean, bottom),
            ],
            fill=grey,
        )


def _over(pen: Pen, box: Box) -> None:
    pen.rectangle(box, stroke=None, fill=0.12)
    steps, edge = 40, []
    for step in range(steps):
        angle = 2 * math.pi * step / steps
        wave = 0.40 + 0.035 * math.sin(5 * angle) + 0.03 * math.sin(11 * angle + 1)
        square = 1 / max(abs(math.cos(angle)), abs(math.sin(angle))) ** 0.75
        edge.append(
            (
                box.left + box.width * (0.5 + wave * square * math.cos(angle)),
                box.top + box.height * (0.5 + wave * square * math.sin(angle)),
            )
        )
    _polygon(pen, edge, fill=0.68)
    room = box.inset(box.width * 0.2)
    for across, down, turn in _scattered(11):
        x, y = room.left + across * room.width, room.top + down * room.height
        radius = box.width * (0.022 + 0.02 * turn)
        _disc(pen, x, y, radius * 1.6, fill=0.9)
        _disc(pen, x, y, radius, fill=0.0)


_DRAWINGS: dict[str, Callable[[Pen, Box], None]] = {
    "sugar": _sugar,
    "orange peel": _orange_peel,
    "full": _full,
    "over": _over,
}


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
    name = f"{rank} {grade} (target)" if target else f"{rank} {grade}"
    used = pen.block(words.upper(words.height * 0.5), name, size, bold=True)
    if grade in STAGE_DESCRIPTIONS:
        room = words.below(used).upper(words.height - used)
        pen.block(room, STAGE_DESCRIPTIONS[grade], size * 0.85)


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
        used = pen.block(cell.upper(upper * 0.45), name, 10, bold=True)
        pen.rectangle(cell.below(used + 1 * MM), weight=0.8)


class _Outline:
    """A path in the words of SVG."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def moveTo(self, x: float, y: float) -> None:
        self.words.append(f"M{x:.4g} {y:.4g}")

    def lineTo(self, x: float, y: float) -> None:
        self.words.append(f"L{x:.4g} {y:.4g}")

    def close(self) -> None:
        self.words.append("Z")


class _SvgCanvas:
    """As much of a reportlab canvas as the drawings use, in greys without outlines.

    A page in a browser shows them as SVG.
    """

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.fill = "#000"

    def setFillGray(self, grey: float) -> None:
        level = round(255 * grey)
        self.fill = f"#{level:02x}{level:02x}{level:02x}"

    def rect(self, x: float, y: float, width: float, height: float, **_: Any) -> None:
        place = f'x="{x:.4g}" y="{y:.4g}" width="{width:.4g}" height="{height:.4g}"'
        self.parts.append(f'<rect {place} fill="{self.fill}"/>')

    def circle(self, x: float, y: float, radius: float, **_: Any) -> None:
        place = f'cx="{x:.4g}" cy="{y:.4g}" r="{radius:.4g}"'
        self.parts.append(f'<circle {place} fill="{self.fill}"/>')

    def beginPath(self) -> _Outline:
        return _Outline()

    def drawPath(self, outline: _Outline, **_: Any) -> None:
        self.parts.append(f'<path d="{"".join(outline.words)}" fill="{self.fill}"/>')


def grade_symbol(grade: str, rank: int, name: str) -> str:
    """Return how a grade looks as an SVG symbol; one without a drawing shows its rank.

    Parameters
    ----------
    grade : str
    rank : int
        Its place on the scale, from 1; 0 for no grade.
    name : str
        Of the symbol: letters, digits and hyphens.

    Examples
    --------
    >>> grade_symbol("fritted", 2, "grade-2").count("<text")
    1
    """
    drawing = _DRAWINGS.get(grade)
    if drawing is None:
        shown = escape(str(rank) if rank else "?")
        inside = (
            f'<rect width="{_SIDE:g}" height="{_SIDE:g}" fill="#fff"/>'
            f'<text x="30" y="42" font-size="34" text-anchor="middle">{shown}</text>'
        )
    else:
        canvas = _SvgCanvas()
        drawing(Pen(canvas, _FORM), _WHOLE)
        # A page of paper counts upwards from its foot, a screen downwards from its top.
        turned = f'<g transform="matrix(1 0 0 -1 0 {_SIDE:g})">'
        inside = f"{turned}{''.join(canvas.parts)}</g>"
    return f'<symbol id="{name}" viewBox="0 0 {_SIDE:g} {_SIDE:g}">{inside}</symbol>'
