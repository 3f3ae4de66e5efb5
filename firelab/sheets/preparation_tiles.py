"""Preparation tile by tile: which coats, on which face, each with a box to tick."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from firelab.craft.setting_words import BARE
from firelab.plan.plan import Plan, PlannedPreparation
from firelab.plan.powder import coat_grams
from firelab.series.firing_series import FiringSeries
from firelab.sheets.page_size import MM, Box, PageSize
from firelab.sheets.pen import Pen
from firelab.sheets.preparation_sheet import coat_words
from firelab.sheets.sheet_page import SheetPage, body_box
from firelab.sheets.tables import Column, draw_table_head, draw_table_row, spread_rows
from firelab.sheets.tile_places import PlannedTile
from firelab.sheets.tile_words import grams_words

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
        Column(name="code scratched", share=0.1),
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
    return (tile.code, True, *ticks, base, coats, True, f"{front} / {back}")
