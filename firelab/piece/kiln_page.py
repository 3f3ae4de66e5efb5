"""One page beside the kiln: cautions, the firings in order, boxes for what came out."""

from __future__ import annotations

from pathlib import Path

from firelab.craft.degrees import SIGN
from firelab.craft.units import format_duration, format_temperature
from firelab.piece.answer import (
    PIECE_CAUTIONS,
    ColourOdds,
    PieceFiring,
    PiecePlan,
    room_words,
)
from firelab.piece.piece import listed
from firelab.series.folder import INVENTED, write_atomically
from firelab.sheets.boxes import draw_cautions
from firelab.sheets.page import MM, Box, page_size
from firelab.sheets.pen import MARGIN, Pen, SheetPage, print_framed

SHEET_FILE = "piece.pdf"
_HEAD, _FOOT, _GAP = 11 * MM, 6 * MM, 2.5 * MM
_CAUTIONS = 62 * MM
_BLOCK, _ROW = 19 * MM, 8 * MM
"""Heights of a firing's head and of a colour's row, where there is room for them."""
_TICK = 4.2 * MM
_WRITTEN = 9.5


def _print_piece(plan: PiecePlan, page: str = "a4") -> bytes:
    """Return the page of a piece as a PDF, the same for the same plan."""
    title = f"Piece: {plan.name}"
    sheet = SheetPage(title=title, draw=lambda pen, _: _draw(pen, plan), framed=False)
    return print_framed([sheet], page_size(page), title=title, subject=title)


def write_piece_sheet(folder: str | Path, plan: PiecePlan, page: str = "a4") -> Path:
    """Write piece.pdf and return its path."""
    path = Path(folder) / SHEET_FILE
    write_atomically(path, _print_piece(plan, page))
    return path


def _draw(pen: Pen, plan: PiecePlan) -> None:
    whole = Box(left=0, top=0, width=pen.page.width, height=pen.page.height).inset(MARGIN)
    _draw_head(pen, whole.upper(_HEAD), plan)
    used = _HEAD + _GAP
    used += draw_cautions(pen, whole.below(used).upper(_CAUTIONS), largest=8.0) + 1.5 * MM
    words = " ".join([*PIECE_CAUTIONS, *(f"{line}." for line in plan.cautions)])
    used += pen.block(whole.below(used).upper(18 * MM), words, 8.5, bold=True) + _GAP
    room = whole.below(used).upper(whole.height - used - _FOOT)
    firings = plan.best.firings
    rows = [_on_piece(plan, number) for number in range(1, len(firings) + 1)]
    wanted = len(firings) * (_BLOCK + _GAP) + sum(map(len, rows)) * _ROW
    scale = min(1.0, room.height / wanted)
    top = 0.0
    for number, (firing, colours) in enumerate(zip(firings, rows, strict=True), start=1):
        height = scale * (_BLOCK + _ROW * len(colours))
        block = room.below(top).upper(height)
        _draw_firing(pen, block, plan, number, firing, colours, scale)
        top += height + scale * _GAP
    _draw_foot(pen, whole.below(whole.height - _FOOT + 1.5 * MM), plan)


def _on_piece(plan: PiecePlan, firing: int) -> list[ColourOdds]:
    """Return the colours that a firing goes over, in the order in which they were laid."""
    there = [one for one in plan.best.colours if one.laid <= firing]
    return sorted(there, key=lambda one: one.laid)


def _draw_head(pen: Pen, box: Box, plan: PiecePlan) -> None:
    name, date, by = box.columns(0.5, 0.24, 0.26, gap=3 * MM)
    pen.line(name, plan.name, 17, smallest=9, bold=True)
    for room, label in ((date, "date"), (by, "fired by")):
        words, blank = room.columns(0.36, 0.64, gap=1.5 * MM)
        pen.line(words, label, _WRITTEN, align="right")
        pen.rectangle(blank.inset(0, 1 * MM), weight=0.9)
    pen.rule(box.left, box.bottom, box.right, box.bottom, weight=1.2)


def _draw_firing(
    pen: Pen,
    box: Box,
    plan: PiecePlan,
    number: int,
    firing: PieceFiring,
    colours: list[ColourOdds],
    scale: float,
) -> None:
    """Draw one firing: what to lay, what to set, what was read, what came out."""
    pen.rectangle(box, weight=1.0)
    head = box.upper(scale * _BLOCK)
    pen.rectangle(head, weight=1.0, fill=0.93)
    mark, lay, settings, seen = head.inset(2 * MM, 1 * MM).columns(
        0.05, 0.37, 0.33, 0.25, gap=2 * MM
    )
    pen.line(mark, f"{number}", 20, bold=True)
    to_lay, tick = lay.columns(0.88, 0.12)
    pen.block(to_lay, f"Lay {listed(firing.colours)}", 12, bold=True, middle=True)
    pen.tick_box(tick, _TICK)
    degrees, time, off = settings.rows(0.4, 0.3, 0.3)
    at = format_temperature(firing.temperature_degC, plan.reads)
    pen.line(degrees, at, 14, bold=True)
    pen.line(time, format_duration(firing.dwell_s), 12, bold=True)
    pen.block(off, room_words(firing, plan.reads), 8.5, middle=True)
    to_write = seen.rows(0.5, 0.5, gap=1 * MM)
    for room, label in zip(to_write, (f"read {SIGN[plan.reads]}", "held"), strict=True):
        words, blank = room.columns(0.34, 0.66, gap=1.5 * MM)
        pen.line(words, label, _WRITTEN, align="right")
        pen.rectangle(blank, weight=0.9, fill=1.0)
    rest = box.below(head.height)
    for place, one in enumerate(colours):
        row = rest.below(place * scale * _ROW).upper(scale * _ROW)
        _draw_colour(pen, row, plan, number, one)


def _draw_colour(pen: Pen, row: Box, plan: PiecePlan, number: int, one: ColourOdds) -> None:
    """Draw a colour's grades to tick after a firing, the wanted ones framed in bold."""
    name, boxes, note = row.inset(2 * MM, 0).columns(0.24, 0.56, 0.2, gap=2 * MM)
    is_last = number == len(plan.best.firings)
    goal = " or ".join(one.wanted) if is_last else f"{plan.ready} or more"
    label = f"{one.name}: {goal}" if is_last or one.laid == number else one.name
    pen.line(name, label, 10)
    cells = boxes.columns(*([1.0] * len(one.grades)), gap=1 * MM)
    for cell, grade in zip(cells, one.grades, strict=True):
        square, words = cell.columns(0.25, 0.75, gap=1 * MM)
        pen.tick_box(square, _TICK)
        pen.line(words, grade, 9.5, bold=is_last and grade in one.wanted)
    pen.rule(note.left, row.bottom - 1.5 * MM, note.right, row.bottom - 1.5 * MM, grey=0.5)
    pen.rule(row.left, row.bottom, row.right, row.bottom, grey=0.6, weight=0.4)


def _draw_foot(pen: Pen, box: Box, plan: PiecePlan) -> None:
    origin = plan.provenance
    words = "firelab"
    if origin is not None:
        words += f" · piece.toml {origin.series_hash[:8]} · seed {origin.seed}"
    if plan.invented:
        words = f"{INVENTED} {words}"
    left, right = box.columns(0.55, 0.45, gap=3 * MM)
    pen.line(left, words, 7.5)
    expect = f"expect {round(100 * plan.best.probability)} of 100 such pieces as wanted"
    pen.line(right, expect, 9, align="right")
