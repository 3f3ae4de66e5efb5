"""What a phone sends: a look, or a time that another phone may grade by.

It is read with the same care as a table that is handed over. Times live while
the server does: the phone that took one keeps it and sends it again.
"""

from __future__ import annotations

import json
import re
import time
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, NoReturn

from firelab.errors import FirelabError
from firelab.records.look import LOOK_COLUMNS
from firelab.records.tables import LONGEST_CELL, TableRow, TextTable

SENT_FILE = "this look"
LOOK_FIELDS = (*LOOK_COLUMNS, "change", "entry")
MOST_BYTES = 32_000
"""Of a look: its longest note in UTF-8, escaped as JSON, is 24 kB (chosen here)."""


class FaultyBody(FirelabError):
    """A request whose body is not what was asked for."""


def parse_body(raw: bytes, names: tuple[str, ...]) -> dict[str, str]:
    """Return the fields of a JSON object as text; numbers become text, null is left out.

    Parameters
    ----------
    raw : bytes
    names : tuple of str
        Fields that may stand in it.

    Raises
    ------
    FaultyBody
        If it is not such an object.

    Examples
    --------
    >>> parse_body(b'{"tile": "AEX", "dwell_s": 150}', ("tile", "dwell_s"))
    {'tile': 'AEX', 'dwell_s': '150'}
    """
    try:
        content = json.loads(raw.decode("utf-8"), parse_constant=_refuse)
    except (ValueError, RecursionError):
        raise FaultyBody("the body is not JSON in UTF-8") from None
    if not isinstance(content, dict):
        raise FaultyBody("the body is not an object")
    strange = sorted(set(content) - set(names))
    if strange:
        raise FaultyBody(
            f"field {strange[0][:40]!r} is not known", hint=f"send {', '.join(names)}"
        )
    return {
        name: _text(name, value) for name, value in content.items() if value is not None
    }


def _refuse(constant: str) -> NoReturn:
    raise ValueError(constant)


def _text(name: str, value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise FaultyBody(f"field {name} is neither text nor a number")
    text = f"{value:.15g}" if isinstance(value, float) else str(value)
    if len(text) > LONGEST_CELL:
        raise FaultyBody(f"field {name} holds {len(text)} characters, too many")
    return text.strip()


def look_table(fields: dict[str, str]) -> TextTable:
    """Return a table of one row from the fields of a look."""
    names = [name for name in LOOK_FIELDS if fields.get(name)]
    return TextTable(
        file=SENT_FILE,
        header=TableRow(line=0, cells=tuple(names)),
        rows=(TableRow(line=0, cells=tuple(fields[name] for name in names)),),
    )


TIMING_FIELDS = ("tile", "look", "load", "in_at", "dwell_s", "temperature", "made")
MOST_TIMINGS = 5000
"""More firings than tile codes give; bounds memory (chosen here, no source)."""
_CODE = re.compile(r"[A-Z0-9]{1,8}")
_NUMBER = re.compile(r"[0-9]{1,14}(?:\.[0-9]{1,6})?")


def parse_planned(fields: dict[str, str]) -> dict[str, str]:
    """Return the fields of a tile to be planned.

    Raises
    ------
    FaultyBody
        If its code is none, or temperature or dwell no number.
    """
    if not _CODE.fullmatch(fields.get("tile", "")):
        raise FaultyBody("a tile to be planned needs its code")
    for name in ("temperature_degC", "dwell_s"):
        if not _NUMBER.fullmatch(fields.get(name, "0")):
            raise FaultyBody(f"{name} is not a number")
    return fields


def _made(fields: dict[str, str]) -> float:
    return float(fields.get("made") or 0)


@dataclass(slots=True)
class Timings:
    """Which tiles are in the kiln since when, and which came out after how long.

    The count begins at the moment, so that a server that restarted and forgot is not
    taken for the one before.
    """

    by_firing: dict[tuple[str, str], dict[str, str]] = field(default_factory=dict)
    count: int = field(default_factory=time.time_ns)
    _lock: Any = field(default_factory=Lock)

    def put(self, fields: dict[str, str]) -> None:
        """Take in one time: blank ``dwell_s`` while the tile is in the kiln.

        One that was made before the one held is left, since requests overtake each other.

        Raises
        ------
        FaultyBody
            If a field is not what it should be.
        """
        if not _CODE.fullmatch(fields.get("tile", "")):
            raise FaultyBody("a time needs the code of its tile")
        for name in ("look", "load", "in_at"):
            if not _NUMBER.fullmatch(fields.get(name, "")):
                raise FaultyBody(f"a time needs a number as {name}")
        for name in ("dwell_s", "made"):
            if not _NUMBER.fullmatch(fields.get(name) or "0"):
                raise FaultyBody(f"{name} is not a number")
        if len(fields.get("temperature", "")) > 20:
            raise FaultyBody("temperature is too long")
        with self._lock:
            key = fields["tile"], fields["look"]
            if key not in self.by_firing and len(self.by_firing) >= MOST_TIMINGS:
                raise FaultyBody("too many times")
            held = self.by_firing.get(key, {})
            if held != fields and _made(held) <= _made(fields):
                self.by_firing[key] = fields
                self.count += 1

    def listed(self) -> list[dict[str, str]]:
        """Return all times."""
        with self._lock:
            return list(self.by_firing.values())
