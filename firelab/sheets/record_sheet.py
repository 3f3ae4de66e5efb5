"""The record sheet: one row per tile and look, grades in order to tick."""

from __future__ import annotations

from collections.abc import Sequence

from firelab.craft.trade_words import DEFECTS
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import marked_code
from firelab.series.responses import TransparencyResponse
from firelab.sheets.boxes import spread_rows
from firelab.sheets.grade_boxes import draw_grade
from firelab.sheets.page import MM, Box, PageSize
from firelab.sheets.pen import Align, Pen, SheetPage, body_box
from firelab.sheets.tile_places import TileFiring, in_blind_order

_INTRO = 13 * MM
_SCALE = 12 * MM
_TEXTURE = 17 * MM
_GRADE_HEAD = _TEXTURE + 25 * MM
_LOWEST_ROW, _HIGHEST_ROW = 9.2 * MM, 10.6 * MM
_SPARE_ROWS = 4
_MOST_SCORES = 12


def record_pages(
    series: FiringSeries, firings: Sequence[TileFiring], page: PageSize
) -> list[SheetPage]:
    """Return the record sheet, with spare rows where the last page has room.

    Tiles stand in an order of their own, which tells nothing of how they were fired.
    """
    firings = in_blind_order(series, firings)
    top = _INTRO + _GRADE_HEAD + (_SCALE if series.responses.transparency else 0.0)
    room = body_box(page).height - top
    spread = spread_rows(len(firings), room, lowest=_LOWEST_ROW, highest=_HIGHEST_ROW)
    most = max(spread.per_page, int(room // spread.height))
    spare = min(_SPARE_ROWS, -len(firings) % most)
    rows: list[TileFiring | None] = [*firings, *([None] * spare)]
    pages = []
    for first in range(0, len(rows), most):
        shown = tuple(rows[first : first + most])

        def draw(pen: Pen, body: Box, shown: tuple[TileFiring | None, ...] = shown) -> None:
            _draw_intro(pen, body.upper(_INTRO))
            used = _INTRO
            if series.responses.transparency:
                _draw_scale(
                    pen, body.below(used).upper(_SCALE), series.responses.transparency
                )
                used += _SCALE
            _draw_head(pen, body.below(used).upper(_GRADE_HEAD), series)
            used += _GRADE_HEAD
            for firing in shown:
                row = body.below(used).upper(spread.height)
                _draw_row(pen, row, series, firing)
                used += spread.height

        pages.append(
            SheetPage(title="Record sheet", draw=draw, blanks=("observer", "date"))
        )
    return pages


def _draw_intro(pen: Pen, box: Box) -> None:
    words = (
        "One sheet for each observer. Tick one grade for each cool tile, as seen and not "
        "as expected: the settings are left off on purpose. Score clarity where asked; "
        f"name defects, such as {', '.join(DEFECTS)}."
    )
    pen.block(box.upper(_INTRO - 1 * MM), words, 9.5)


def _draw_scale(pen: Pen, box: Box, scale: TransparencyResponse) -> None:
    """Draw the clarity scale with its direction, target marked."""
    words, line = box.columns(0.22, 0.78, gap=4 * MM)
    pen.block(words.upper(9 * MM), f"clarity: {scale.direction}", 9.5, bold=True)
    clear_right = scale.sign > 0
    left_word, right_word = ("cloudy", "clear") if clear_right else ("clear", "cloudy")
    left, middle, right = line.upper(9 * MM).columns(0.1, 0.8, 0.1, gap=2 * MM)
    pen.line(left, left_word, 9.5, align="right")
    pen.line(right, right_word, 9.5)
    steps = _score_steps(scale)
    for place, score in enumerate(steps):
        x = middle.left + middle.width * (place + 0.5) / len(steps)
        wanted = (score - scale.target) * scale.sign >= 0
        half = middle.width / len(steps) / 2
        cell = Box(left=x - half + 1, top=middle.top, width=2 * half - 2, height=5.5 * MM)
        pen.line(cell, f"{score:g}", 12, bold=wanted, align="centre")
        weight = 2.4 if wanted else 0.8
        pen.rule(
            x - half, middle.top + 7 * MM, x + half, middle.top + 7 * MM, weight=weight
        )
    pen.line(
        Box(
            left=middle.left, top=middle.top + 7.2 * MM, width=middle.width, height=3.5 * MM
        ),
        f"thick line: target {scale.target:g} or clearer",
        7.5,
    )


def _score_steps(scale: TransparencyResponse) -> tuple[float, ...]:
    """Return the scores to be printed, thinned where the scale is fine.

    Examples
    --------
    >>> _score_steps(TransparencyResponse(low=0, high=3, step=1, target=2))
    (0.0, 1.0, 2.0, 3.0)
    """
    count = round((scale.high - scale.low) / scale.step)
    thin = next(
        times * 10**power
        for power in range(9)
        for times in (1, 2, 5)
        if count <= _MOST_SCORES * times * 10**power
    )
    return tuple(scale.low + scale.step * place for place in range(0, count + 1, thin))


def _shares(series: FiringSeries) -> tuple[float, ...]:
    grades = len(series.responses.stage.grades)
    scored = (0.09,) if series.responses.transparency else ()
    used = 0.14 + 0.07 + sum(scored) + 0.16 + 0.12
    return (0.14, 0.07, *([(1 - used) / grades] * grades), *scored, 0.16, 0.12)


def _draw_head(pen: Pen, box: Box, series: FiringSeries) -> None:
    stage = series.responses.stage
    cells = box.columns(*_shares(series), gap=1.2 * MM)
    names = ["tile", "look"]
    for rank, grade in enumerate(stage.grades, start=1):
        cell = cells[1 + rank].upper(box.height - 1 * MM)
        target = grade in stage.target
        draw_grade(pen, cell, grade, rank, side=_TEXTURE, target=target, size=9.5)
    rest = list(cells[2 + len(stage.grades) :])
    tail = ["defects", "note"]
    if series.responses.transparency:
        tail.insert(0, "clarity")
    for cell, name in zip([*cells[:2], *rest], names + tail, strict=True):
        low = cell.below(box.height - 10 * MM).upper(9.5 * MM)
        align: Align = "centre" if name == "look" else "left"
        pen.block(low, name, 9, bold=True, align=align)
    pen.rule(box.left, box.bottom, box.right, box.bottom, weight=1.2)


def _draw_row(pen: Pen, row: Box, series: FiringSeries, firing: TileFiring | None) -> None:
    grades = len(series.responses.stage.grades)
    cells = row.columns(*_shares(series), gap=1.2 * MM)
    if firing is not None:
        code = marked_code(series.mark, firing.tile)
        pen.line(cells[0], code, 20, smallest=12, bold=True)
        look, words = cells[1].rows(0.6, 0.4) if firing.is_fired_on else (cells[1], None)
        pen.line(look, str(firing.look), 14, align="centre")
        if words is not None:
            pen.line(words, "fired on", 8, align="centre")
    else:
        for cell in cells[:2]:
            pen.rectangle(cell.inset(0, 1.4 * MM), weight=0.7, stroke=0.4)
    for cell in cells[2 : 2 + grades]:
        pen.tick_box(cell, 6.4 * MM)
    for cell in cells[2 + grades :]:
        pen.rectangle(cell.inset(0, 1.2 * MM), weight=0.7, stroke=0.4)
    pen.rule(row.left, row.bottom, row.right, row.bottom, grey=0.6, weight=0.4)
