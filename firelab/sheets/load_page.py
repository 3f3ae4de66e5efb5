"""Small loads on few pages: powder, preparation, labels, the loads, and their grades."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.trade_words import DEFECTS, hand_rule
from firelab.craft.units import format_duration
from firelab.plan.plan import Plan
from firelab.plan.stock import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED, marked_code
from firelab.sheets.fitting import LEADING, wrap_text
from firelab.sheets.kiln_sheet import (
    GAP,
    LoadBlock,
    draw_load,
    largest_scale,
    load_blocks,
)
from firelab.sheets.labels import draw_cut_lines, draw_label
from firelab.sheets.page import MM, Box, PageSize
from firelab.sheets.pen import Pen, SheetPage, body_box
from firelab.sheets.preparation_sheet import coat_words, powder_name, step_size_words
from firelab.sheets.tile_places import (
    KilnLoad,
    PlannedTile,
    TileFiring,
    both_temperatures,
    code_words,
    grams_words,
    hours_words,
    in_blind_order,
)

_CAUTION_SIZE = 7.0
_STEP_SIZE = 9.5
_STEP_LEFT = 13 * MM
_FACTS = 5 * MM
_BETWEEN = 1.6 * MM
_LABEL = 17 * MM
_LABELS_ACROSS = 2
_GRADES_HEAD = 12 * MM
_GRADED = 8 * MM


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    """What stands on one page: steps, labels, loads, and the part to grade on."""

    series: FiringSeries
    facts: str
    steps: tuple[str, ...]
    labelled: tuple[PlannedTile, ...]
    loads: tuple[KilnLoad, ...]
    before: KilnLoad | None

    @property
    def rows(self) -> list[TileFiring]:
        return [firing for load in self.loads for firing in load.firings]

    def blocks(self, body: Box) -> list[LoadBlock]:
        earlier = [self.before, *self.loads[:-1]]
        return [
            block
            for before, load in zip(earlier, self.loads, strict=True)
            for block in load_blocks(self.series, before, load, body)
        ]

    def room(self, body: Box) -> Box:
        """Return a box as high as what is left for the loads."""
        fixed = (
            _text_height(_cautions(self.series), body.width - 4 * MM, _CAUTION_SIZE)
            + sum(_step_height(words, body.width) for words in self.steps)
            + -(-len(self.labelled) // _LABELS_ACROSS) * _LABEL
            + _GRADES_HEAD
            + _GRADED * len(self.rows)
            + _FACTS
            + 5 * _BETWEEN
        )
        return body.upper(max(0.0, body.height - fixed))

    def fits(self, body: Box) -> bool:
        blocks, room = self.blocks(body), self.room(body)
        heights = sum(block.height(self.series, body.width) for block in blocks)
        heights += GAP * (len(blocks) - 1)
        return len(blocks) == len(self.loads) and heights <= room.height

    def sheet(self) -> SheetPage:
        first, last = self.loads[0].number, self.loads[-1].number
        joined = "and" if last - first == 1 else "to"
        title = f"Load {first}" if first == last else f"Loads {first} {joined} {last}"
        return SheetPage(title=title, draw=self._draw, blanks=("date", "fired by"))

    def _draw(self, pen: Pen, body: Box) -> None:
        series = self.series
        used = _draw_cautions(pen, body, series) + _BETWEEN
        pen.line(body.below(used).upper(_FACTS), self.facts, _STEP_SIZE)
        used += _FACTS
        for number, words in enumerate(self.steps, start=1):
            used += _draw_step(pen, body.below(used), f"{number}", words)
        used += _BETWEEN
        used += _draw_labels(pen, body.below(used), series, self.labelled) + _BETWEEN
        blocks, room = self.blocks(body), self.room(body)
        scale = largest_scale(series, blocks, room)
        for block in blocks:
            height = block.height(series, body.width, scale)
            draw_load(pen, body.below(used).upper(height), series, block, scale)
            used += height + GAP
        _draw_grades(pen, body.below(used - GAP + _BETWEEN), series, self.rows)


def load_pages(
    series: FiringSeries,
    plan: Plan,
    tiles: Sequence[PlannedTile],
    loads: Sequence[KilnLoad],
    page: PageSize,
    *,
    with_labels: bool = True,
) -> list[SheetPage]:
    """Return few pages for the loads of a session, or none where they are too large.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Cut down to the session.
    tiles : sequence of PlannedTile
    loads : sequence of KilnLoad
        A single one has a page. Several have them where each page but the last holds
        two at least; larger loads are better served by sheets of their own.
    page : PageSize
    with_labels : bool, default True
        False where they are printed on label stock.
    """
    body = body_box(page)
    target = " or ".join(series.responses.stage.target)
    facts = f"{series.enamel.colour}, target {target}; {hours_words(series, plan)}"
    steps = _steps(series, plan, tiles)
    if plan.is_sequential:
        steps.append(f"After each load: firelab next. {hand_rule(series.kiln.reads)}")
    pages: list[_Page] = []
    rest = list(loads)
    while rest:
        made = (
            _Page(
                series=series,
                facts=facts,
                steps=() if pages else tuple(steps),
                labelled=_labelled(tiles, rest[:count]) if with_labels else (),
                loads=tuple(rest[:count]),
                before=pages[-1].loads[-1] if pages else None,
            )
            for count in range(len(rest), 0, -1)
        )
        found = next((one for one in made if one.fits(body)), None)
        if found is None:
            return []
        pages.append(found)
        rest = rest[len(found.loads) :]
    if any(len(one.loads) == 1 for one in pages[:-1]):
        return []
    return [one.sheet() for one in pages]


def _labelled(
    tiles: Sequence[PlannedTile], loads: Sequence[KilnLoad]
) -> tuple[PlannedTile, ...]:
    here = {firing.tile for load in loads for firing in load.firings}
    return tuple(tile for tile in tiles if tile.is_new and tile.code in here)


def _text_height(text: str, width: float, size: float) -> float:
    return len(wrap_text(text, width, size=size)) * size * LEADING


def _cautions(series: FiringSeries) -> str:
    words = " ".join(f"{name}: {text}" for name, text in CAUTIONS)
    return f"{INVENTED} {words} {DEFERENCE}" if series.invented else f"{words} {DEFERENCE}"


def _draw_cautions(pen: Pen, body: Box, series: FiringSeries) -> float:
    words = _cautions(series)
    height = _text_height(words, body.width - 4 * MM, _CAUTION_SIZE)
    pen.rectangle(body.upper(height + _BETWEEN), weight=1.2, fill=0.95)
    inner = body.below(_BETWEEN / 2).inset(2 * MM, 0)
    pen.block(inner.upper(height), words, _CAUTION_SIZE)
    return height + _BETWEEN


def _steps(series: FiringSeries, plan: Plan, tiles: Sequence[PlannedTile]) -> list[str]:
    """Return what is done before the load, in order."""
    reads, steps = series.kiln.reads, []
    fired_on = [tile.code for tile in tiles if not tile.is_new]
    if fired_on:
        codes = ", ".join(marked_code(series.mark, code) for code in fired_on)
        steps.append(f"Fetch {codes}, to be fired on: no coat, no preparation firing.")
    if len(fired_on) == len(tiles):
        return steps
    powder = "; ".join(
        f"{powder_name(name)}, {grams_words(grams)}"
        for name, grams in plan.powder_g.items()
    )
    steps.append(f"Weigh out, loss included: {powder}.")
    steps.append(code_words(series))
    for step in plan.preparation:
        heat = both_temperatures(step.temperature_degC, reads)
        whose = (
            ""
            if len(step.tiles) == len(tiles) - len(fired_on)
            else _codes(series, step.tiles)
        )
        steps.append(
            f"Sift {coat_words(series, step)}; fire at {heat}, "
            f"{format_duration(step.dwell_s)}: {step_size_words(series, step)}{whose}."
        )
    steps.append(
        f"Sift the last test coat as the label says, {grams_words(coat_grams(series))} a "
        "tile; it goes into the load unfused."
    )
    return steps


def _codes(series: FiringSeries, tiles: Sequence[str]) -> str:
    return f" ({', '.join(marked_code(series.mark, code) for code in tiles)})"


def _step_height(words: str, width: float) -> float:
    return _text_height(words, width - _STEP_LEFT, _STEP_SIZE) + 1.4 * MM


def _draw_step(pen: Pen, body: Box, number: str, words: str) -> float:
    height = _step_height(words, body.width)
    widths = 7 * MM, 6 * MM, body.width - _STEP_LEFT
    tick, mark, text = body.upper(height).columns(*widths)
    pen.tick_box(tick.upper(5 * MM), 4.2 * MM)
    pen.block(mark.below(0.5 * MM), number, _STEP_SIZE, bold=True)
    pen.block(text.below(0.5 * MM), words, _STEP_SIZE)
    return height


def _draw_labels(
    pen: Pen, body: Box, series: FiringSeries, tiles: Sequence[PlannedTile]
) -> float:
    for place, tile in enumerate(tiles):
        row, column = divmod(place, _LABELS_ACROSS)
        cell = body.columns(1, 1)[column].below(row * _LABEL).upper(_LABEL)
        draw_cut_lines(pen, cell)
        draw_label(pen, cell, series, tile)
    return -(-len(tiles) // _LABELS_ACROSS) * _LABEL


def _draw_grades(
    pen: Pen, body: Box, series: FiringSeries, firings: Sequence[TileFiring]
) -> None:
    """Draw the part to grade on, below a fold: codes in an order of their own."""
    pen.rule(body.left, body.top, body.right, body.top, grey=0.4, weight=0.5, dashed=True)
    words = (
        "Lay the tiles on a tray in the places of the rack, until cool. Fold back along "
        "this line before grading. Tick one grade for each cool tile, as seen. Defects: "
        f"{', '.join(DEFECTS)}. Then: firelab record, or firelab kilnside."
    )
    head = body.below(1 * MM).upper(_GRADES_HEAD - 1 * MM)
    text, label, box = head.columns(0.74, 0.1, 0.16, gap=2 * MM)
    pen.block(text, words, 8.5)
    pen.line(label, "graded by", 9, align="right")
    pen.rectangle(box.inset(0, 1 * MM), weight=0.8)
    stage, scored = series.responses.stage, series.responses.transparency
    notes = [f"clarity {scored.low:g} to {scored.high:g}"] if scored else []
    for place, firing in enumerate(in_blind_order(series, firings)):
        row = body.below(_GRADES_HEAD + place * _GRADED).upper(_GRADED)
        code, grades, rest = row.columns(0.17, 0.53, 0.3, gap=2 * MM)
        if firing.is_fired_on:
            code, look = code.rows(0.66, 0.34)
            pen.line(look, f"look {firing.look}, fired on", 7.5)
        pen.line(code, marked_code(series.mark, firing.tile), 18, bold=True)
        for cell, grade in zip(
            grades.columns(*[1.0] * len(stage.grades)), stage.grades, strict=True
        ):
            tick, name = cell.columns(6.5 * MM, cell.width - 6.5 * MM)
            pen.tick_box(tick, 5 * MM)
            pen.block(name.inset(0.5 * MM, 0), grade, 9.5, middle=True)
        named = [*notes, "defects, note"]
        boxes = rest.columns(*[1.0, 1.6][-len(named) :], gap=1.5 * MM)
        for cell, words in zip(boxes, named, strict=True):
            pen.rectangle(cell.inset(0, 0.8 * MM), weight=0.8)
            pen.line(cell.below(0.8 * MM).upper(3 * MM).inset(0.8 * MM, 0), words, 7)
        pen.rule(row.left, row.bottom, row.right, row.bottom, grey=0.6, weight=0.4)
