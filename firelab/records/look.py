"""One look at one tile: as a row of the firing log, and in words.

Text is written so that no spreadsheet runs it: a cell that begins with ``=``,
``+``, ``-`` or ``@`` would be taken for a formula, and so would what follows a
semicolon where a spreadsheet splits there. An apostrophe is set before such a
sign and taken away again on reading.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from firelab.craft.units import format_duration, format_temperature
from firelab.records.records import FIRING_COLUMNS

_SIGNS = "=+\\-@＝＋－＠"
_RUNS = re.compile(rf"(^|;)(\s*)('*)(?=[{_SIGNS}])")
_SAFE = re.compile(rf"(^|;)(\s*)'('*)(?=[{_SIGNS}])")


def escape_cell(text: str) -> str:
    """Return text as it is safely written into a cell.

    Examples
    --------
    >>> escape_cell("=1+1"), escape_cell("rim; -2 mm"), escape_cell("'twas full")
    ("'=1+1", "rim; '-2 mm", "'twas full")
    """
    return _RUNS.sub(r"\1\2'\3", text)


def unescape_cell(text: str) -> str:
    """Return the text that `escape_cell` was given.

    Examples
    --------
    >>> unescape_cell("'=1+1"), unescape_cell("-2 mm")
    ('=1+1', '-2 mm')
    """
    return _SAFE.sub(r"\1\2\3", text)


LATER_COLUMNS: tuple[str, ...] = ("place",)
"""What a look may say beyond the contract's twelve, in the order in which it came.

``place`` holds the place of the rack, blank where the tile stood as planned. Logs that were
begun before a column came do not have it.
"""
ROW_COLUMNS: tuple[str, ...] = ("change", "recorded_at", "recorded_by", "entry")
"""What firelab keeps of a row itself, the name of the entry last.

``change`` holds any of `CHANGES`, blank for a new look; ``recorded_at`` and ``recorded_by``
say when and by whom the row was added; ``entry`` is a name of `ENTRY_LENGTH` characters
that lets one row be sent twice and kept once, and shows that a row is whole.
"""
KEPT_COLUMNS = LATER_COLUMNS + ROW_COLUMNS
"""Columns after the contract's twelve; a reader may ignore them."""
LOOK_COLUMNS = FIRING_COLUMNS + LATER_COLUMNS
"""All that a look says."""
LOG_COLUMNS = LOOK_COLUMNS + ROW_COLUMNS
OWN_FORMS = tuple(
    FIRING_COLUMNS + LATER_COLUMNS[:n] + ROW_COLUMNS
    for n in range(len(LATER_COLUMNS), -1, -1)
)
"""Headers of logs that firelab wrote, the newest first."""
ENTRY_LENGTH = 20
ENTRY_NAME = re.compile(rf"[0-9a-z]{{{ENTRY_LENGTH}}}")

CORRECTION, WITHDRAWAL, CONFIRMATION = "correction", "withdrawal", "confirmation"
LOST, MOVED, OFFSET, SIGHTED = "lost", "moved", "offset", "sighted"
CHANGES: dict[str, str] = {
    CORRECTION: "supersedes the look that stands for this tile, look and observer",
    WITHDRAWAL: "takes that look back",
    CONFIRMATION: "says that this look is true, odd as it is",
    LOST: "there is no look: the tile was lost, or its load ruined; the note says how",
    MOVED: "the tile was truly fired in another load than planned",
    OFFSET: "what the kiln read is corrected, as the note says",
    SIGHTED: "the setting was shown to who graded before the grade was given",
}
SUPERSEDING = frozenset({CORRECTION, WITHDRAWAL, CONFIRMATION})
"""Changes of one look that stands; `LOST` takes the place of every look at a firing."""
LASTING = (MOVED, OFFSET, SIGHTED)
"""Changes that stay true of a look when it is corrected or confirmed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A row of the firing log.

    Attributes
    ----------
    tile : str
        Code as planned.
    look, session, load : int
        Which firing of the tile this was, and where it was fired.
    temperature_degC, dwell_s : float or None
        As read; None where the planned one holds.
    stage : str
        Grade, blank where not graded.
    transparency : float or None
    observer, fired_at, defects, note : str
    place : int or None
        Of the rack, from 1; None where the planned one holds.
    change : tuple of str
        Any of `CHANGES`.
    recorded_at, recorded_by, entry : str
        See `ROW_COLUMNS`.
    line : int
        Where the row stands in its file, from 1.
    """

    tile: str
    look: int
    session: int
    load: int
    temperature_degC: float | None = None
    dwell_s: float | None = None
    stage: str = ""
    transparency: float | None = None
    observer: str = ""
    fired_at: str = ""
    defects: str = ""
    note: str = ""
    place: int | None = None
    change: tuple[str, ...] = ()
    recorded_at: str = ""
    recorded_by: str = ""
    entry: str = ""
    line: int = 0

    def content(self) -> tuple[Any, ...]:
        """Return what was seen: the twelve columns, without who wrote it down when."""
        return tuple(getattr(self, name) for name in FIRING_COLUMNS)

    def to_dict(self) -> dict[str, Any]:
        """Return the row as plain values."""
        row = {name: getattr(self, name) for name in LOG_COLUMNS}
        return {**row, "change": " ".join(self.change)}

    def says_all_of(self, other: Look) -> bool:
        """Tell whether this look holds what another says, later columns where it does."""
        more = ((getattr(other, name), getattr(self, name)) for name in LATER_COLUMNS)
        same = all(theirs in (None, "", mine) for theirs, mine in more)
        return self.content() == other.content() and same

    def is_seen_by(self, observer: str) -> bool:
        """Tell whether two names may be one observer: equal, or one of them blank."""
        mine, theirs = self.observer.casefold(), observer.casefold()
        return mine == theirs or not mine or not theirs


def plain_number(value: float) -> str:
    """Write a number without trailing zeros.

    Examples
    --------
    >>> plain_number(760.0), plain_number(732.22), plain_number(0.5)
    ('760', '732.22', '0.5')
    """
    return f"{value:.6f}".rstrip("0").rstrip(".")


def cell_text(value: Any) -> str:
    """Write a value as a cell of the log; None is blank."""
    if value is None:
        return ""
    if isinstance(value, tuple):
        return " ".join(value)
    if isinstance(value, str):
        return escape_cell(value)
    return plain_number(float(value))


def rows_text(looks: Iterable[Look]) -> str:
    """Write looks as lines of the firing log, one each."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    for look in looks:
        writer.writerow([cell_text(getattr(look, name)) for name in LOG_COLUMNS])
    return stream.getvalue()


HEADER_TEXT = ",".join(LOG_COLUMNS) + "\n"


_CHANGE_WORDS = {
    CORRECTION: "corrected",
    WITHDRAWAL: "taken back",
    CONFIRMATION: "confirmed",
    MOVED: "fired in another load than planned",
    OFFSET: "",
    SIGHTED: SIGHTED,
}
"""What a change is called beside the look that was recorded with it; an offset has a
note of its own."""


def look_words(look: Look, reads: str = "degF") -> str:
    """Return one line that says what was seen, in the unit that the kiln reads.

    Examples
    --------
    >>> look_words(Look(tile="AEX", look=1, session=1, load=2, dwell_s=150, stage="full"))
    'AEX look 1, load 2, 2 min 30 s: full'
    """
    place = [f"{look.tile} look {look.look}", f"load {look.load}"]
    if look.temperature_degC is not None:
        place.append(format_temperature(look.temperature_degC, reads))
    if look.dwell_s is not None:
        place.append(format_duration(look.dwell_s))
    score = "" if look.transparency is None else f"score {look.transparency:g}"
    kinds = [word for word in look.change if word != LOST]
    lost = LOST if LOST in look.change else ""
    seen = [word for word in (lost, look.stage, score, look.defects, look.note) if word]
    changed = [_CHANGE_WORDS.get(kind, kind) for kind in kinds]
    change = f" ({', '.join(filter(None, changed))})"
    by = f" by {look.observer}" if look.observer else ""
    return f"{', '.join(place)}: {', '.join(seen) or 'no grade'}{by}{change * bool(kinds)}"
