"""Preparation: powder to weigh out, firings in their order, and coats tile by tile."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.trade_words import BARE, count_words
from firelab.craft.units import format_duration
from firelab.plan.plan import Plan, PlannedPreparation
from firelab.plan.stock import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import marked_code
from firelab.sheets.boxes import Column, draw_table_head, draw_table_row, spread_rows
from firelab.sheets.fitting import LEADING, wrap_text
from firelab.sheets.page import MM, Box, PageSize
from firelab.sheets.pen import Pen, SheetPage, body_box
from firelab.sheets.tile_places import (
    PlannedTile,
    both_temperatures,
    grams_words,
)

_TITLE = 10 * MM
_TEXT = 11 * MM
_TEXT_SIZE = 11.0
_POWDER_ROW = 8 * MM
_STEP_ROW = 11 * MM
_AFTER_TOTAL = 6 * MM
_POWDER_SHARES = (0.06, 0.6, 0.34)
_STEP_SHARES = (0.06, 0.05, 0.34, 0.22, 0.13, 0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    kind: str
    height: float
    words: tuple[str, ...]


def coat_words(series: FiringSeries, step: PlannedPreparation) -> str:
    """Write what a preparation firing sifts on which face.

    The colour under test is left out of its own coats, so that the mesh shows.
    """
    coat = step.coat.removeprefix(f"{series.enamel.colour}, ")
    named = step.purpose if coat == step.purpose else f"{step.purpose}: {coat}"
    return f"{named}, {step.face}"


def step_size_words(series: FiringSeries, step: PlannedPreparation) -> str:
    """Say how many tiles a preparation firing has, and in how many loads."""
    loads = step.n_loads(series.budget.places)
    return f"{count_words(len(step.tiles), 'tile')}, {count_words(loads, 'load')}"


def _is_mesh(name: str) -> bool:
    """Tell whether a powder of the plan is the test enamel at a mesh."""
    return name.split()[0].isdigit()


def powder_name(name: str) -> str:
    """Write the name of a powder of the plan.

    Examples
    --------
    >>> powder_name("80 mesh"), powder_name("base hard clear")
    ('Test enamel, 80 mesh', 'Base hard clear')
    """
    if _is_mesh(name):
        return f"Test enamel, {name.split()[0]} mesh"
    return name[:1].upper() + name[1:]


def preparation_pages(
    series: FiringSeries, plan: Plan, page: PageSize, *, fired_on: Sequence[str] = ()
) -> list[SheetPage]:
    """Return the pages of powder and preparation firings.

    Parameters
    ----------
    series : FiringSeries
        Its coat, tile and kiln.
    plan : Plan
        Its powder and preparation.
    page : PageSize
        Paper.
    fired_on : sequence of str
        Tiles that were fired in an earlier session and need no preparation.
    """
    body = body_box(page)
    pages: list[SheetPage] = []
    held: list[_Line] = []
    used = 0.0
    lines = [
        *(_powder_lines(series, plan) if plan.powder_g else ()),
        *(_step_lines(series, plan) if plan.powder_g else ()),
        *_fired_on_lines(fired_on, body.width),
        *_text_lines("What the plan says", plan.notes, body.width),
    ]
    for line in lines:
        if held and used + line.height > body.height:
            pages.append(_lines_page(held))
            held, used = [], 0.0
        held.append(line)
        used += line.height
    return [*pages, _lines_page(held)]


def _powder_lines(series: FiringSeries, plan: Plan) -> list[_Line]:
    sifted = coat_grams(series)
    stays = sifted * (1 - series.coat.loss)
    words = (
        f"One coat is {grams_words(stays)} dry powder on a tile; sift "
        f"{grams_words(sifted)}, since about {100 * series.coat.loss:.0f} % misses it. "
        "Front and back carry equal layers."
    )
    amounts = [
        _Line(
            kind="powder",
            height=_POWDER_ROW,
            words=(powder_name(name), grams_words(grams)),
        )
        for name, grams in plan.powder_g.items()
    ]
    sieved = sum(grams for name, grams in plan.powder_g.items() if _is_mesh(name))
    total = _Line(
        kind="total",
        height=_POWDER_ROW + _AFTER_TOTAL,
        words=("Sieving total of the test enamel", grams_words(sieved)),
    )
    return [
        _Line(kind="title", height=_TITLE, words=("Weigh out, loss included",)),
        _Line(kind="text", height=_TEXT, words=(words,)),
        *amounts,
        *([total] if sieved else ()),
    ]


def _step_lines(series: FiringSeries, plan: Plan) -> list[_Line]:
    lines = [_Line(kind="title", height=_TITLE, words=("Fire in this order",))]
    if not plan.preparation:
        none = "No preparation firing: the test coat goes on the bare tile."
        return [*lines, _Line(kind="text", height=_TEXT, words=(none,))]
    for step in plan.preparation:
        words = (
            str(step.step),
            coat_words(series, step),
            both_temperatures(step.temperature_degC, series.kiln.reads),
            format_duration(step.dwell_s),
            step_size_words(series, step),
        )
        lines.append(_Line(kind="step", height=_STEP_ROW, words=words))
    last = "The last test coat is not fired here: it goes into the test firing unfused."
    return [*lines, _Line(kind="text", height=_TEXT + _AFTER_TOTAL, words=(last,))]


def _fired_on_lines(fired_on: Sequence[str], width: float) -> list[_Line]:
    if not fired_on:
        return []
    words = (
        f"{', '.join(fired_on)}. They carry their glass and keep their labels: no coat, no "
        "preparation firing."
    )
    return _text_lines("Fetch, to be fired on", [words], width)


def _text_lines(title: str, texts: Sequence[str], width: float) -> list[_Line]:
    if not texts:
        return []
    lines = [_Line(kind="title", height=_TITLE, words=(title,))]
    for text in texts:
        rows = len(wrap_text(text, width, size=_TEXT_SIZE))
        height = rows * _TEXT_SIZE * LEADING + 3 * MM
        lines.append(_Line(kind="text", height=height, words=(text,)))
    return lines


def _lines_page(lines: Sequence[_Line]) -> SheetPage:
    shown = tuple(lines)

    def draw(pen: Pen, body: Box) -> None:
        used = 0.0
        for line in shown:
            _draw_line(pen, body.below(used).upper(line.height), line)
            used += line.height

    return SheetPage(title="Preparation sheet", draw=draw)


def _draw_line(pen: Pen, box: Box, line: _Line) -> None:
    if line.kind == "title":
        pen.line(box, line.words[0], 14, bold=True)
        return
    if line.kind == "text":
        pen.block(box.inset(0, 0.5 * MM), line.words[0], _TEXT_SIZE)
        return
    step = line.kind == "step"
    row = box.upper(_STEP_ROW if step else _POWDER_ROW)
    pen.rule(row.left, row.bottom, row.right, row.bottom, grey=0.5, weight=0.5)
    shares = _STEP_SHARES if step else _POWDER_SHARES
    tick, *cells = row.columns(*shares, gap=1.5 * MM)
    pen.tick_box(tick, 4.8 * MM)
    for place, (cell, words) in enumerate(zip(cells, line.words, strict=True)):
        bold = line.kind == "total" or place in (0, 2)
        if place == int(step):
            pen.block(cell, words, 12, bold=bold and not step, middle=True)
        else:
            pen.line(cell.inset(0, 1 * MM), words, 12, bold=bold)


_LOWEST_ROW, _HIGHEST_ROW = 7.4 * MM, 9 * MM
_HEAD = 16 * MM
_TURNED_HEAD = 36 * MM
_LEVEL_STEPS = 2
_STEPS_AT_ONCE = 6
Steps = tuple[PlannedPreparation, ...]


def preparation_tile_pages(
    series: FiringSeries, plan: Plan, tiles: Sequence[PlannedTile], page: PageSize
) -> list[SheetPage]:
    """Return pages with a row for each tile and a column for each preparation firing.

    Parameters
    ----------
    series : FiringSeries
        Its coat and tile.
    plan : Plan
        Its preparation.
    tiles : sequence of PlannedTile
        In firing order.
    page : PageSize
        Paper.
    """
    back = Counter(
        tile for step in plan.preparation if step.face == "back" for tile in step.tiles
    )
    pages = []
    for steps in _step_groups(plan.preparation):
        wanted = {tile for step in steps for tile in step.tiles}
        shown = [tile for tile in tiles if tile.code in wanted or not steps]
        if not shown:
            continue
        pages += _table_pages(series, shown, steps, back, body_box(page))
    return pages


def _step_groups(steps: Sequence[PlannedPreparation]) -> list[Steps]:
    """Return steps in groups: a page's width each, and tiles added later apart."""
    groups: list[list[PlannedPreparation]] = [[]]
    met: set[str] = set()
    for step in steps:
        later_tiles = bool(met) and met.isdisjoint(step.tiles)
        if later_tiles or len(groups[-1]) == _STEPS_AT_ONCE:
            groups.append([])
            met = set()
        groups[-1].append(step)
        met.update(step.tiles)
    return [tuple(group) for group in groups]


def _table_pages(
    series: FiringSeries,
    tiles: Sequence[PlannedTile],
    steps: Steps,
    back: Counter[str],
    body: Box,
) -> list[SheetPage]:
    columns = _columns(series, steps)
    head = _TURNED_HEAD if len(steps) > _LEVEL_STEPS else _HEAD
    rows = spread_rows(
        len(tiles), body.height - head, lowest=_LOWEST_ROW, highest=_HIGHEST_ROW
    )
    needed = [frozenset(step.tiles) for step in steps]
    pages = []
    for first in range(0, len(tiles), rows.per_page):
        shown = tuple(tiles[first : first + rows.per_page])

        def draw(pen: Pen, body: Box, shown: tuple[PlannedTile, ...] = shown) -> None:
            draw_table_head(pen, body.upper(head), columns)
            for place, tile in enumerate(shown):
                row = body.below(head + place * rows.height).upper(rows.height)
                ticks = [tile.code in wanted for wanted in needed]
                cells = _cells(series, tile, ticks, back[tile.code])
                draw_table_row(pen, row, columns, cells)

        pages.append(SheetPage(title="Preparation, tile by tile", draw=draw))
    return pages


def _columns(series: FiringSeries, steps: Steps) -> tuple[Column, ...]:
    share = 0.4 / max(1, len(steps))
    return (
        Column(name="tile", share=0.11, size=15, bold=True),
        Column(name="code on the back", share=0.1),
        *(
            Column(
                name=f"{step.step}. {coat_words(series, step)}",
                share=share,
                turned=len(steps) > _LEVEL_STEPS,
                align="centre",
            )
            for step in steps
        ),
        Column(name="base", share=0.12, size=9),
        Column(name="test coats, front", share=0.21, size=9),
        Column(name="last coat sifted", share=0.08),
        Column(name="coats front / back", share=0.09, align="centre"),
    )


def _cells(
    series: FiringSeries, tile: PlannedTile, ticks: Sequence[bool], back: int
) -> tuple[str | bool, ...]:
    grams = grams_words(coat_grams(series))
    coats = f"{tile.mesh} mesh, {tile.layers} × {grams}"
    base = "bare metal" if tile.base == BARE else tile.base
    front = tile.layers + (tile.base != BARE)
    return (
        marked_code(series.mark, tile.code),
        True,
        *ticks,
        base,
        coats,
        True,
        f"{front} / {back}",
    )
