"""Tables that no one typed: one tile or load in a few words, a kiln that read wrong.

Each is recorded as a table that was handed over, with the same checks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from firelab.craft.units import parse_temperature_difference
from firelab.errors import FirelabError, UsageError
from firelab.records.firing_log import FiringLog
from firelab.records.look import CONFIRMATION, LOST, MOVED, OFFSET, Look, plain_number
from firelab.records.planned_firings import PlannedFirings
from firelab.records.tables import TableRow, TextTable

COMMAND_LINE = "command line"
_READ_WRONG = re.compile(r"\s*(.+?)\s+(?:too\s+)?(high|low)\s*", re.IGNORECASE)
_STAYING = (MOVED, CONFIRMATION)
"""Changes of a look that stay true when what its kiln read is corrected."""
_SPAN = re.compile(r"\s*(\d{1,4})\s*(?:(?:to|-|–)\s*(\d{1,4}))?\s*")


def parse_read_wrong(text: str) -> float:
    """Return by how much a kiln read too high, degC; below 0 where too low.

    Raises
    ------
    UsageError
        If the text does not say so.

    Examples
    --------
    >>> parse_read_wrong("18 degF high"), parse_read_wrong("5 °C too low")
    (10.0, -5.0)
    """
    return _parts_read_wrong(text)[2]


def _parts_read_wrong(text: str, option: str = "") -> tuple[str, str, float]:
    """Return amount and side as written, and by how much too high, degC."""
    match = _READ_WRONG.fullmatch(text)
    try:
        off = parse_temperature_difference(match[1] if match else text)
    except FirelabError:
        match = None
    if match is None:
        raise UsageError(
            f"{text!r} does not say by how much the kiln read wrong",
            hint=f'write such as {option}"12 °F high" or "5 °C low"',
        )
    side = match[2].lower()
    return match[1], side, off if side == "high" else -off


def brief_table(rows: Iterable[Mapping[str, str]]) -> TextTable:
    """Return rows of cells by column as a table; what is blank everywhere is left out."""
    filled = [{name: text.strip() for name, text in row.items()} for row in rows]
    names = list(
        dict.fromkeys(name for row in filled for name, text in row.items() if text)
    )
    return TextTable(
        file=COMMAND_LINE,
        header=TableRow(line=0, cells=tuple(names)),
        rows=tuple(
            TableRow(line=0, cells=tuple(row.get(name, "") for name in names))
            for row in filled
        ),
    )


def graded_rows(text: str, shared: Mapping[str, str]) -> list[dict[str, str]]:
    """Return a row for each tile of a list such as ``AEX full 7; AFL orange peel``.

    Parameters
    ----------
    text : str
        Tile, grade and, where one is given, score; tiles apart by ``;`` or ``,``.
    shared : mapping of str to str
        Cells that all rows have.

    Examples
    --------
    >>> graded_rows("AEX full 7; AFL orange peel", {})[0]
    {'tile': 'AEX', 'stage': 'full', 'transparency': '7'}
    """
    rows = []
    for part in re.split(r"[;,\n]", text):
        tile, _, grade = part.strip().partition(" ")
        grade, _, score = grade.strip().rpartition(" ")
        if not re.fullmatch(r"\d+(?:\.\d+)?", score) or not grade:
            grade, score = f"{grade} {score}".strip(), ""
        if tile:
            rows.append({**shared, "tile": tile, "stage": grade, "transparency": score})
    return rows


def load_rows(
    load: str, planned: PlannedFirings, log: FiringLog, shared: Mapping[str, str]
) -> list[dict[str, str]]:
    """Return a row for each tile that was fired, or was to be fired, in a load.

    Raises
    ------
    UsageError
        If the load is not in the plan, or every tile of it is lost.
    """
    known = {str(number): number for number in planned.loads}
    if not known:
        raise UsageError("no load is planned yet", hint="firelab next says what to fire")
    if load.strip() not in known:
        loads = f"{min(planned.loads)} to {max(planned.loads)}"
        raise UsageError(
            f"load {load} is not in the plan", hint=f"the plan has loads {loads}"
        )
    number = known[load.strip()]
    moved = {(one.tile, one.look): one.load for one in log.standing if MOVED in one.change}
    lost = {one.tile: one.look for one in log.standing if LOST in one.change}
    fired = {
        (tile, look): firing.load
        for tile, firings in planned.tiles.items()
        for look, firing in enumerate(firings, start=1)
    }
    here = [
        (tile, look)
        for (tile, look), place in {**fired, **moved}.items()
        if place == number and not (tile in lost and look >= lost[tile])
    ]
    if not here:
        raise UsageError(
            f"every tile of load {load} is lost already",
            hint="to take a loss back: firelab record --tile TILE --withdraw",
        )
    rows = [
        {**shared, "tile": tile, "look": str(look), "load": load} for tile, look in here
    ]
    for row, key in zip(rows, here, strict=True):
        if key in moved:
            row["change"] = f"{shared.get('change', '')} {MOVED}"
    return rows


def kiln_offset_rows(
    read_wrong: str,
    planned: PlannedFirings,
    log: FiringLog,
    *,
    sessions: str = "",
    since: str = "",
    until: str = "",
) -> list[dict[str, str]]:
    """Return a row for each look that was fired while the kiln read wrong.

    They are to be recorded as corrections: where a row is blank, what stands is kept.
    A look that has such a correction already is left out, so that the same
    command can be given again once more looks are recorded.

    Parameters
    ----------
    read_wrong : str
        Such as ``12 degF high``: the kiln showed 12 degF more than it had.
    planned : PlannedFirings
    log : FiringLog
    sessions : str, default ''
        Such as ``2`` or ``2-3``; all where blank.
    since, until : str, default ''
        ISO 8601 dates, both included; looks without a date are then left out.

    Raises
    ------
    UsageError
        If an option cannot be read, or no look is meant.
    """
    amount, side, too_high = _parts_read_wrong(read_wrong, "--kiln-read ")
    span = _SPAN.fullmatch(sessions)
    if sessions and span is None:
        raise UsageError(f"{sessions!r} are not sessions", hint="write such as 2 or 2-3")
    first, last = (int(span[1]), int(span[2] or span[1])) if span else (1, 9999)
    reason = f"kiln read {amount} too {side}"
    rows = []
    for look in log.standing:
        day = look.fired_at[:10]
        dated = (not since or day >= since[:10]) and (not until or day <= until[:10])
        known = bool(day) or not (since or until)
        if {OFFSET, LOST} & set(look.change) or not (dated and known):
            continue
        if first <= look.session <= last:
            degC = _as_read(look, log.standing, planned) - too_high
            rows.append(_offset_row(look, degC, reason))
    if not rows:
        raise UsageError(
            "no look is meant: none was fired then, or all are corrected already",
            hint="look at sessions and dates in firings.csv",
        )
    return rows


def _as_read(look: Look, standing: Sequence[Look], planned: PlannedFirings) -> float:
    """Return what was read at a firing, by anyone; else what was planned."""
    if look.load in planned.loads:
        otherwise = planned.loads[look.load].temperature_degC
    else:  # a load beyond the plan is only recorded with what was read
        otherwise = float("nan")
    read = (
        one.temperature_degC
        for one in (look, *standing)
        if (one.tile, one.look) == (look.tile, look.look)
        and one.temperature_degC is not None
        and OFFSET not in one.change
    )
    return next(read, otherwise)


def _offset_row(look: Look, degC: float, reason: str) -> dict[str, str]:
    """Return what changes of a look; recorded as a correction, the rest is kept."""
    return {
        "tile": look.tile,
        "look": str(look.look),
        "load": str(look.load),
        "temperature_degC": f"{degC:.2f} degC",
        "dwell_s": "" if look.dwell_s is None else plain_number(look.dwell_s),
        "observer": look.observer,
        "note": "; ".join(part for part in (look.note, reason) if part),
        "change": " ".join([OFFSET, *(word for word in look.change if word in _STAYING)]),
    }
