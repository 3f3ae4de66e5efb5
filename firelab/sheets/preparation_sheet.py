"""The preparation sheet: powder to weigh out, firings in order, and every tile's coats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from firelab.plan.plan import Plan, PlannedPreparation
from firelab.plan.powder import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.sheets.page_size import MM, Box, PageSize
from firelab.sheets.pen import Pen
from firelab.sheets.sheet_page import SheetPage, body_box
from firelab.sheets.tables import Column, draw_table_head, draw_table_row
from firelab.sheets.tile_places import PlannedTile
from firelab.sheets.tile_words import (
    BARE,
    both_temperatures,
    dwell_words,
    grams_words,
    layers_words,
)

_ROW = 8.2 * MM
_HEAD = 13 * MM
_POWDER_ROW = 7 * MM
_STEP_ROW = 10 * MM
_STEPS_AT_ONCE = 6


def step_words(step: PlannedPreparation) -> str:
    """Write what a preparation firing puts on which face."""
    same = step.coat == step.purpose
    coat = step.purpose if same else f"{step.purpose}: {step.coat}"
    return f"{coat}, {step.face}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    kind: str
    height: float
    words: tuple[str, ...]


def preparation_pages(
    series: FiringSeries, plan: Plan, tiles: Sequence[PlannedTile], page: PageSize
) -> list[SheetPage]:
    """Return the preparation sheet: powder and firings first, then tile by tile."""
    body = body_box(page)
    pages = _flowed_pages(series, plan, body)
    for first_step in range(0, max(1, len(plan.preparation)), _STEPS_AT_ONCE):
        steps = plan.preparation[first_step : first_step + _STEPS_AT_ONCE]
        pages += _tile_pages(series, tiles, steps, body)
    return pages


def _flowed_pages(series: FiringSeries, plan: Plan, body: Box) -> list[SheetPage]:
    pages: list[SheetPage] = []
    held: list[_Line] = []
    used = 0.0
    for line in _lines(series, plan):
        if held and used + line.height > body.height:
            pages.append(_flowed_page(held))
            held, used = [], 0.0
        held.append(line)
        used += line.height
    return [*pages, _flowed_page(held)]


def _lines(series: FiringSeries, plan: Plan) -> list[_Line]:
    sifted = coat_grams(series)
    stays = sifted * (1 - series.coat.loss)
    said = (
        f"One coat is {grams_words(stays)} dry powder on a tile; sift "
        f"{grams_words(sifted)}, since about {100 * series.coat.loss:.0f} % misses it. "
        "Front and back carry equal layers."
    )
    lines = [
        _Line(kind="title", height=9 * MM, words=("Weigh out, loss included",)),
        _Line(kind="text", height=11 * MM, words=(said,)),
    ]
    for name, grams in plan.powder_g.items():
        lines.append(
            _Line(
                kind="powder",
                height=_POWDER_ROW,
                words=(powder_name(name), grams_words(grams)),
            )
        )
    sieved = [grams for name, grams in plan.powder_g.items() if is_mesh(name)]
    total = ("Sieving total of the test enamel", grams_words(sum(sieved)))
    lines.append(_Line(kind="total", height=_POWDER_ROW + 6 * MM, words=total))
    lines.append(_Line(kind="title", height=9 * MM, words=("Fire in this order",)))
    if not plan.preparation:
        none = "No preparation firing: the test coat goes on the bare tile."
        lines.append(_Line(kind="text", height=9 * MM, words=(none,)))
    for step in plan.preparation:
        words = (
            str(step.step),
            step_words(step),
            both_temperatures(step.temperature_degC, series.kiln.reads),
            dwell_words(step.dwell_s),
            f"{len(step.tiles)} tile{'' if len(step.tiles) == 1 else 's'}",
        )
        lines.append(_Line(kind="step", height=_STEP_ROW, words=words))
    lines += [_Line(kind="note", height=9 * MM, words=(note,)) for note in plan.notes]
    return lines


def is_mesh(name: str) -> bool:
    """Tell whether a powder of the plan is the test enamel at a mesh."""
    return name.split()[0].isdigit()


def powder_name(name: str) -> str:
    """Write the name of a powder of the plan."""
    return f"Test enamel, {name.split()[0]} mesh" if is_mesh(name) else name.capitalize()


def _flowed_page(lines: Sequence[_Line]) -> SheetPage:
    shown = tuple(lines)

    def draw(pen: Pen, body: Box) -> None:
        used = 0.0
        for line in shown:
            _draw_line(pen, body.below(used).upper(line.height), line)
            used += line.height

    return SheetPage(title="Preparation sheet", draw=draw)


_POWDER_SHARES = (0.06, 0.6, 0.34)
_STEP_SHARES = (0.06, 0.06, 0.38, 0.24, 0.15, 0.11)


def _draw_line(pen: Pen, box: Box, line: _Line) -> None:
    if line.kind in ("title", "text", "note"):
        size = 14.0 if line.kind == "title" else 10.0
        pen.block(box.inset(0, 0.5 * MM), line.words[0], size, smallest=6, bold=size > 10)
        return
    shares = _STEP_SHARES if line.kind == "step" else _POWDER_SHARES
    row = box.upper(_STEP_ROW if line.kind == "step" else _POWDER_ROW)
    pen.rule(row.left, row.bottom, row.right, row.bottom, grey=0.5, weight=0.5)
    tick, *cells = row.columns(*shares, gap=1.5 * MM)
    pen.tick_box(tick, 4.6 * MM)
    for place, (cell, words) in enumerate(zip(cells, line.words, strict=True)):
        size = 12 if line.kind != "step" else 11
        bold = line.kind == "total" or place in (0, 2)
        if line.kind == "step" and place == 1:
            pen.block(cell.inset(0, 0.5 * MM), words, size, smallest=6, middle=True)
        else:
            pen.line(cell.inset(0, 1 * MM), words, size, smallest=6, bold=bold)


def _tile_pages(
    series: FiringSeries,
    tiles: Sequence[PlannedTile],
    steps: Sequence[PlannedPreparation],
    body: Box,
) -> list[SheetPage]:
    columns = _tile_columns(series, steps)
    most = int((body.height - _HEAD) // _ROW)
    needed = [frozenset(step.tiles) for step in steps]
    pages = []
    for first in range(0, len(tiles), most):
        shown = tuple(tiles[first : first + most])

        def draw(pen: Pen, body: Box, shown: tuple[PlannedTile, ...] = shown) -> None:
            draw_table_head(pen, body.upper(_HEAD), columns)
            for place, tile in enumerate(shown):
                row = body.below(_HEAD + place * _ROW).upper(_ROW)
                ticks = [tile.code in wanted for wanted in needed]
                draw_table_row(pen, row, columns, _tile_cells(tile, ticks))

        pages.append(SheetPage(title="Preparation, tile by tile", draw=draw))
    return pages


def _tile_columns(
    series: FiringSeries, steps: Sequence[PlannedPreparation]
) -> tuple[Column, ...]:
    each = grams_words(coat_grams(series))
    return (
        Column(name="tile", share=0.12, size=14, bold=True),
        Column(name="code scratched", share=0.09),
        *(
            Column(name=f"{step.step}. {step_words(step)}", share=0.46 / max(1, len(steps)))
            for step in steps
        ),
        Column(name="base", share=0.13, size=9),
        Column(name=f"test coats, front, {each} each", share=0.2, size=10),
        Column(name="last coat on", share=0.09),
    )


def _tile_cells(tile: PlannedTile, ticks: Sequence[bool]) -> tuple[str | bool, ...]:
    coats = f"{layers_words(tile.layers)}, {tile.mesh} mesh"
    base = "bare metal" if tile.base == BARE else tile.base
    return (tile.code, True, *ticks, base, coats, True)
