"""All sheets of a plan, or of one of its sessions, as one PDF.

The same values give the same bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from itertools import chain

from firelab.errors import UsageError
from firelab.plan.plan import Plan, PlannedPreparation
from firelab.plan.plan_files import plan_table_text
from firelab.plan.schedule import kiln_hours
from firelab.plan.stock import powder_needed
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import PLAN_TABLE, Provenance, marked_code
from firelab.sheets.first_page import first_page
from firelab.sheets.kiln_sheet import kiln_pages, tray_pages
from firelab.sheets.labels import CUT_LABELS, LabelStock, label_pages, mark_pages
from firelab.sheets.load_page import load_pages
from firelab.sheets.page import PageSize, page_size
from firelab.sheets.pen import SheetPage
from firelab.sheets.preparation_sheet import preparation_pages, preparation_tile_pages
from firelab.sheets.printed_pages import print_pages
from firelab.sheets.record_sheet import record_pages
from firelab.sheets.student_page import deal_tiles, student_pages
from firelab.sheets.tile_places import kiln_loads, planned_tiles, tile_firings


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
        return _printed([first_page(series, plan), *marks], series, provenance, paper)
    if students is None and (session is not None or plan.is_sequential):
        sessions = plan.tiles["session"].unique() if session is None else [session]
        few = [_few_pages(series, plan, int(n), label_stock, paper) for n in sessions]
        if all(few):
            head = [first_page(series, plan)] if session is None else []
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
        first_page(series, plan, n_fired_on=len(fired_on)),
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
