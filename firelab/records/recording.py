"""Looks go into the firing log: all of a table, or none of it."""

from __future__ import annotations

import csv
import datetime
import io
import secrets
import string
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from firelab.errors import FaultyFile, Finding
from firelab.plan.plan import Plan
from firelab.records.doubts import look_doubts
from firelab.records.firing_log import FiringLog, own_form, read_log
from firelab.records.journal import append_looks, journal_lock
from firelab.records.log_columns import UNREAD, count_known
from firelab.records.look import (
    CONFIRMATION,
    CORRECTION,
    ENTRY_LENGTH,
    LASTING,
    LOOK_COLUMNS,
    LOST,
    MOVED,
    SUPERSEDING,
    WITHDRAWAL,
    Look,
)
from firelab.records.look_checks import standing_looks, superseded
from firelab.records.look_rows import FOREIGN_MARK, NEXT_LOOK, read_looks
from firelab.records.planned_firings import PlannedFirings, planned_firings
from firelab.records.tables import (
    MOST_ROWS,
    TextTable,
    decode,
    is_workbook,
    parse_table,
    parse_workbook,
    refuse,
)
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import FIRINGS_FILE, neighbour_marks

_SIGNS = string.ascii_lowercase + string.digits


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """What recording a table did.

    Attributes
    ----------
    added : tuple of Look
        Rows that went into the log (or would, in a dry run).
    already : tuple of Look
        Rows that stand in the log just so, and were not added again.
    left_out : tuple of int
        Lines of the table that name a tile and say nothing of it.
    doubts : tuple of Finding
        What is asked back of all looks that now stand (see `look_doubts`).
    """

    added: tuple[Look, ...]
    already: tuple[Look, ...] = ()
    left_out: tuple[int, ...] = ()
    doubts: tuple[Finding, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, for ``--json``."""
        return {
            "schema": "firelab/recorded/1",
            "added": [look.to_dict() for look in self.added],
            "already": [look.to_dict() for look in self.already],
            "left_out_lines": list(self.left_out),
            "doubts": [one.to_dict() for one in self.doubts],
        }


def now_text() -> str:
    """Return this moment with its time zone, ISO 8601."""
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")


def _new_entry() -> str:
    """Return the name of a new entry."""
    return "".join(secrets.choice(_SIGNS) for _ in range(ENTRY_LENGTH))


def read_table(raw: bytes, file: str, *, sheet: str = "") -> TextTable:
    r"""Read CSV with any delimiter, a pasted table, or a sheet of an xlsx workbook.

    Raises
    ------
    FaultyFile
        If it is none of these.

    Examples
    --------
    >>> import firelab
    >>> firelab.read_table(b"tile;grade\nEEN;full\n", "looks.csv").rows[0].cells
    ('EEN', 'full')
    """
    if is_workbook(raw):
        return parse_workbook(raw, file, count_known, sheet=sheet)
    return parse_table(decode(raw, file), file, count_known, searched=True)


def fixed_text(table: TextTable, series: FiringSeries, plan: Plan) -> str:
    """Return a table as it was understood, as CSV under the log's own names.

    What was not understood is blank, and stands in a last column ``unread``: the
    blank cell is to be filled in and this one emptied.
    """
    rows = read_looks(table, series, planned_firings(plan)).understood
    needed = [*LOOK_COLUMNS, "change", UNREAD]
    names = [name for name in needed if any(row[name] for row in rows)]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(names)
    writer.writerows([row[name] for name in names] for row in rows)
    return stream.getvalue()


def record_table(
    folder: str | Path,
    table: TextTable,
    series: FiringSeries,
    plan: Plan,
    *,
    recorded_at: str,
    recorded_by: str = "",
    correct: bool = False,
    dry_run: bool = False,
) -> Recorded:
    r"""Add every row of a table to the firing log, or none.

    Parameters
    ----------
    folder : str or Path
    table : TextTable
    series, plan : FiringSeries, Plan
    recorded_at : str
        ISO 8601; the moment of recording.
    recorded_by : str, default ''
        Who records; else the row's ``recorded_by`` or ``observer``.
    correct : bool, default False
        Rows that differ from a look that stands supersede it; where such a row
        is blank, what stands is kept.
    dry_run : bool, default False
        Say what would be added, and add nothing.

    Returns
    -------
    Recorded
        When it is returned, the rows are on disk.

    Raises
    ------
    FaultyFile
        With every fault of the table, or of the log; nothing was added.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(folder := firelab.start_demo())
    >>> table = firelab.read_table(b"tile,stage\nEEN,full\n", "looks.csv")
    >>> done = firelab.record_table(
    ...     folder, table, records.series, records.plan, correct=True,
    ...     recorded_at="2026-01-02T12:00:00Z")
    >>> len(done.added)
    1
    """
    planned = planned_firings(plan)
    read = read_looks(table, series, planned, is_correction=correct)
    stamped = [
        replace(
            look,
            recorded_at=look.recorded_at or recorded_at,
            recorded_by=recorded_by or look.recorded_by or look.observer,
            entry=look.entry or _new_entry(),
        )
        for look in read.looks
    ]

    with journal_lock(folder):
        log = read_log(folder, series, planned)
        if log.findings:
            raise FaultyFile(log.findings)
        new, already = _sort_out(stamped, log, planned, correct=correct)
        stands = standing_looks(new, file=table.file, before=log.standing)
        findings = [*_with_owner(read.findings, folder), *stands.findings]
        if findings:
            raise FaultyFile(sorted(findings, key=lambda one: (one.line, one.column)))
        if len(log.rows) + len(new) > MOST_ROWS:
            raise refuse(
                "too-large",
                FIRINGS_FILE,
                f"holds {len(log.rows)} rows; with {len(new)} more it would hold more than "
                f"{MOST_ROWS}",
                "start a further series; nothing was recorded",
            )
        added = [replace(look, line=0) for look in new]
        if new and not dry_run:
            first = append_looks(folder, new, lambda raw: own_form(raw, series, planned))
            added = [replace(look, line=first + n) for n, look in enumerate(new)]
        standing = standing_looks(added, before=log.standing).looks
        doubts = look_doubts(standing, series, planned, folder=folder, now=recorded_at)
    return Recorded(added=new, already=already, left_out=read.left_out, doubts=doubts)


def _with_owner(findings: Iterable[Finding], folder: str | Path) -> list[Finding]:
    """Return findings in which a foreign mark names the series that has it."""
    found = list(findings)
    foreign = [place for place, one in enumerate(found) if one.code == FOREIGN_MARK]
    marks = neighbour_marks(folder) if foreign else {}
    for place in foreign:
        for mark, name in marks.items():
            if f"is marked {mark}," in found[place].message:
                hint = f"it is of {name}: record it there"
                found[place] = replace(found[place], hint=hint)
    return found


def _sort_out(
    looks: Iterable[Look], log: FiringLog, planned: PlannedFirings, *, correct: bool
) -> tuple[tuple[Look, ...], tuple[Look, ...]]:
    """Return the rows that are new, and those the log holds just so."""
    entries = {row.entry for row in log.rows if row.entry}
    standing: dict[tuple[str, int], list[Look]] = {}
    for one in log.standing:
        standing.setdefault((one.tile, one.look), []).append(one)
    new, already = [], []
    for look in looks:
        if look.look == NEXT_LOOK:
            look = _next_look(look, log, planned)
        here = standing.get((look.tile, look.look), [])
        changes = (SUPERSEDING | {LOST}) & set(look.change)
        confirms = CONFIRMATION in changes
        meant = superseded(look, here) if confirms or (correct and not changes) else []
        if len(meant) == 1:
            look = _carried_over(look, meant[0])
        marks = {CONFIRMATION, LOST} & changes
        same = any(one.says_all_of(look) and marks <= set(one.change) for one in here)
        if look.entry in entries or (same and WITHDRAWAL not in look.change):
            already.append(look)
        else:
            words = (CORRECTION, *look.change) if meant and not confirms else look.change
            new.append(replace(look, change=words))
    return tuple(new), tuple(already)


def _carried_over(look: Look, standing: Look) -> Look:
    """Return a correction that keeps what stands wherever it is blank itself."""
    kept = {
        name: getattr(standing, name)
        for name in LOOK_COLUMNS
        if getattr(look, name) in (None, "")
    }
    stays = MOVED in standing.change and MOVED not in look.change
    if stays or CONFIRMATION in look.change:
        kept |= {"load": standing.load, "session": standing.session}
    lasting = (word for word in LASTING if word in standing.change)
    return replace(look, **kept, change=tuple(dict.fromkeys((*look.change, *lasting))))


def _next_look(look: Look, log: FiringLog, planned: PlannedFirings) -> Look:
    """Return the loss of a tile as the look that it would have had next."""
    seen = [one for one in log.standing if one.tile == look.tile]
    last = max((one.look for one in seen if LOST not in one.change), default=0)
    session, load = planned.where(look.tile, last + 1)
    return replace(look, look=last + 1, session=session, load=load)
