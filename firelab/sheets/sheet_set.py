"""All sheets of a plan, or of one of its sessions, as one PDF, and its first page.

The same values give the same bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from itertools import chain

from firelab.craft.trade_words import base_words, count_words, hand_rule, layers_words
from firelab.craft.units import format_duration
from firelab.errors import UsageError
from firelab.plan.plan import Plan, PlannedPreparation
from firelab.plan.plan_files import plan_table_text
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import powder_needed
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED, PLAN_TABLE, Provenance, marked_code
from firelab.sheets.boxes import draw_cautions
from firelab.sheets.kiln_sheet import kiln_pages, tray_pages
from firelab.sheets.labels import CUT_LABELS, LabelStock, label_pages, mark_pages
from firelab.sheets.load_page import load_pages
from firelab.sheets.page import MM, Box, PageSize, page_size
from firelab.sheets.pen import Pen, SheetPage, print_pages
from firelab.sheets.preparation_sheet import preparation_pages, preparation_tile_pages
from firelab.sheets.record_sheet import record_pages
from firelab.sheets.student_page import deal_tiles, student_pages
from firelab.sheets.tile_places import (
    blank_words,
    both_temperatures,
    code_words,
    hours_words,
    kiln_loads,
    planned_tiles,
    tile_firings,
)

STEPS: tuple[str, ...] = (
    "Prepare the tiles as the preparation sheet says, and keep each tile with its label.",
    "Fire load by load as the kiln sheet says: all tiles of a load in together, each out "
    "at its own time, the door shut between. Write down the temperature the kiln reads, "
    "and each tile's true time from closing the door.",
    "Lay each tile on the tray map until it is cool; only then can its code be read.",
    "Fold each label's lower half back, so that only its code shows, and grade each "
    "tile on the record sheet without looking up its setting.",
    "Record the sheet: firelab record, or firelab kilnside on a phone.",
)
"""How the sheets are used once the tiles have their codes, in order."""
_CHECKED = " The last symbol checks the others: a misread code is caught."


def _first_page(series: FiringSeries, plan: Plan, *, n_fired_on: int = 0) -> SheetPage:
    """Return the first page of the sheets of a plan."""

    def draw(pen: Pen, body: Box) -> None:
        used = _draw_question(
            pen, body, series, _facts(series, plan, n_fired_on=n_fired_on)
        )
        used += _draw_steps(pen, body.below(used), series) + 4 * MM
        draw_cautions(pen, body.below(used))

    return SheetPage(title="Test firing sheets", draw=draw)


def _facts(
    series: FiringSeries, plan: Plan, *, n_fired_on: int = 0
) -> tuple[tuple[str, str], ...]:
    """Return what the series varies and what the plan takes, as pairs of words."""
    reads, factors = series.kiln.reads, series.factors
    joined = " to " if factors.is_range("temperature") else ", "
    heat = joined.join(
        both_temperatures(float(t), reads) for t in factors.levels("temperature")
    )
    joined = " to " if factors.is_range("dwell") else ", "
    dwell = joined.join(format_duration(float(d)) for d in factors.levels("dwell"))
    powder = " or ".join(f"{mesh}" for mesh in factors.mesh.levels) + " mesh, "
    powder += " or ".join(layers_words(layers) for layers in factors.layers.levels) + ", "
    powder += " or ".join(base_words(base) for base in factors.base.levels)
    loads = int(plan.tiles["load"].nunique())
    sessions = int(plan.tiles["session"].nunique())
    again = f" ({n_fired_on} of them fired on)" if n_fired_on else ""
    size = f"{count_words(plan.n_tiles, 'tile')}{again} in {count_words(loads, 'load')}, "
    size += count_words(sessions, "session")
    size += f"; {hours_words(series, plan)}"
    if plan.tiles.empty:
        size = f"one tile at a time: firelab next says each firing. {hand_rule(reads)}"
    return (
        (
            "Enamel",
            f"{series.enamel.colour} ({series.enamel.kind}, lead: {series.enamel.lead})",
        ),
        ("Tile", blank_words(series)),
        ("Temperature", heat),
        ("Dwell", dwell),
        ("Powder", powder),
        ("Target", " or ".join(series.responses.stage.target)),
        ("Plan", size),
    )


def _draw_question(
    pen: Pen, body: Box, series: FiringSeries, named: Sequence[tuple[str, str]]
) -> float:
    used = pen.block(body.upper(26 * MM), series.name, 20, smallest=8, bold=True) + 1 * MM
    if series.invented:
        strip = body.below(used).upper(9 * MM)
        pen.rectangle(strip, weight=1.5)
        pen.line(strip.inset(3 * MM, 0), INVENTED, 13, bold=True)
        used += 12 * MM
    if series.question:
        used += pen.block(body.below(used).upper(16 * MM), series.question, 13)
    used += 3 * MM
    for name, words in named:
        row = body.below(used).upper(12 * MM)
        label, text = row.columns(0.18, 0.82)
        pen.block(label, name, 11, bold=True)
        used += max(6 * MM, pen.block(text, words, 11) + 1.2 * MM)
    return used + 3 * MM


def _draw_steps(pen: Pen, body: Box, series: FiringSeries) -> float:
    steps = (code_words(series) + _CHECKED, *STEPS)
    used = pen.block(body.upper(8 * MM), "How to use these sheets", 13, bold=True) + 1 * MM
    for number, step in enumerate(steps, start=1):
        mark, text = body.below(used).upper(17 * MM).columns(0.045, 0.955)
        pen.block(mark, f"{number}", 11, bold=True)
        used += pen.block(text, step, 11) + 0.8 * MM
    return used


def _plan_of_session(series: FiringSeries, plan: Plan, session: int) -> Plan:
    """Return a plan cut down to one session, its preparation, powder and hours.

    Steps of preparation are numbered anew from 1.

    Tiles first fired in an earlier session are prepared already, and left out
    of preparation and powder.
    """
    tiles = plan.table
    known = sorted(int(one) for one in tiles["session"].unique())
    if session not in known:
        raise UsageError(
            f"session {session} is not in the plan",
            hint=f"one of {', '.join(str(one) for one in known)}",
        )
    first = tiles.groupby("tile")["session"].transform("min")
    here = tiles[tiles["session"] == session]
    new = tiles[first == session].drop_duplicates("tile")
    codes = set(new["tile"])
    needed = [
        replace(step, tiles=tuple(tile for tile in step.tiles if tile in codes))
        for step in plan.preparation
        if codes.intersection(step.tiles)
    ]
    preparation = _joint_preparation(needed)
    return replace(
        plan,
        tiles=here.reset_index(drop=True),
        preparation=preparation,
        powder_g=powder_needed(series, new, preparation),
        time_h=kiln_hours(series, here, preparation),
    )


def _joint_preparation(
    steps: Sequence[PlannedPreparation],
) -> tuple[PlannedPreparation, ...]:
    """Return steps of preparation numbered from 1, with equal ones done together.

    Tiles that were chosen one after the other bring the same steps each. A step joins
    an earlier one like it where none of its tiles has a step in between.
    """
    made: list[PlannedPreparation] = []
    for step in steps:
        done = [n for n, one in enumerate(made) if set(one.tiles) & set(step.tiles)]
        alike = [
            n
            for n, one in enumerate(made)
            if replace(one, step=0, tiles=()) == replace(step, step=0, tiles=())
            and n > max(done, default=-1)
        ]
        if alike:
            first = made[alike[0]]
            made[alike[0]] = replace(first, tiles=(*first.tiles, *step.tiles))
        else:
            made.append(step)
    return tuple(replace(step, step=n) for n, step in enumerate(made, start=1))


def make_sheets(
    series: FiringSeries,
    plan: Plan,
    *,
    page: str = "a4",
    label_stock: LabelStock = CUT_LABELS,
    students: Sequence[str] | None = None,
    session: int | None = None,
) -> bytes:
    """Return the sheets of a plan as a PDF.

    Parameters
    ----------
    series : FiringSeries
        What is asked; fixes units, scales and budget.
    plan : Plan
        Which tile is fired when.
    page : {'a4', 'letter'}
        Paper.
    label_stock : LabelStock
        Where labels are on the page; cut lines by default.
    students : sequence of str, optional
        Names of a class: one page per student is added. An empty sequence
        makes one numbered student for each tile.
    session : int, optional
        Only this session's tiles; all of them by default. Tiles fired in an
        earlier one are fired on: they get no label and no preparation. A session of
        one load that fits is one page; several small loads share pages, and those of
        a plan of one tile at a time do without a session being named.

    Returns
    -------
    bytes
        The same for the same values.

    Raises
    ------
    UsageError
        If the page or the session is not known, or the labels do not fit.

    Examples
    --------
    >>> import firelab
    >>> series = firelab.read_series(firelab.start_demo())
    >>> firelab.make_sheets(series, firelab.make_plan(series))[:4]
    b'%PDF'
    """
    paper = page_size(page)
    provenance = _from_plan(series, plan)
    if plan.tiles.empty:
        marks = mark_pages(series, label_stock, paper)
        return _printed([_first_page(series, plan), *marks], series, provenance, paper)
    if students is None and (session is not None or plan.is_sequential):
        sessions = plan.tiles["session"].unique() if session is None else [session]
        few = [_few_pages(series, plan, int(n), label_stock, paper) for n in sessions]
        if all(few):
            head = [_first_page(series, plan)] if session is None else []
            pages = [*head, *chain.from_iterable(few)]
            return _printed(pages, series, provenance, paper)
    firings = tile_firings(plan)
    if session is not None:
        plan = _plan_of_session(series, plan, session)
        firings = tuple(firing for firing in firings if firing.session == session)
    tiles = planned_tiles(plan, firings)
    loads = kiln_loads(firings)
    new = [tile for tile in tiles if tile.is_new]
    labels = label_pages(series, new, label_stock, paper)
    fired_on = [marked_code(series.mark, tile.code) for tile in tiles if not tile.is_new]
    pages = [
        _first_page(series, plan, n_fired_on=len(fired_on)),
        *preparation_pages(series, plan, paper, fired_on=fired_on),
        *preparation_tile_pages(series, plan, new, paper),
        *labels,
        *kiln_pages(series, loads, paper),
        *tray_pages(series, loads, paper),
        *record_pages(series, firings, paper),
    ]
    if students is not None:
        pages += student_pages(series, plan, deal_tiles(tiles, students))
    return _printed(pages, series, provenance, paper)


def _few_pages(
    series: FiringSeries, plan: Plan, session: int, stock: LabelStock, paper: PageSize
) -> list[SheetPage]:
    """Return a session of small loads on few pages; none where they are too large."""
    firings = tuple(one for one in tile_firings(plan) if one.session == session)
    here = _plan_of_session(series, plan, session)
    tiles, loads, cut = planned_tiles(here, firings), kiln_loads(firings), stock.cut_lines
    few = load_pages(series, here, tiles, loads, paper, with_labels=cut)
    if few and not cut:
        new = [tile for tile in tiles if tile.is_new]
        few += label_pages(series, new, stock, paper)
    return few


def _printed(
    pages: Sequence[SheetPage],
    series: FiringSeries,
    provenance: Provenance,
    paper: PageSize,
) -> bytes:
    source = f"plan {provenance.sources[PLAN_TABLE][:8]}"
    return print_pages(
        pages, series, provenance, paper, title="Test firing sheets", source=source
    )


def _from_plan(series: FiringSeries, plan: Plan) -> Provenance:
    """Return the plan's provenance with the hash of its table, as it is on disk."""
    table = plan_table_text(plan, invented=series.invented).encode("utf-8")
    digest = hashlib.sha256(table).hexdigest()
    sources = {**plan.provenance.sources, PLAN_TABLE: digest}
    return replace(plan.provenance, sources=sources)
