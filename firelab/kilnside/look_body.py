"""What a phone sends: read with the same care as a table that is handed over."""

from __future__ import annotations

import json
from typing import Any, NoReturn

from firelab.errors import FirelabError
from firelab.records.records import FIRING_COLUMNS
from firelab.records.table_text import LONGEST_CELL, TableRow, TextTable

SENT_FILE = "this look"
LOOK_FIELDS = (*FIRING_COLUMNS, "change", "entry")
MOST_BYTES = 32_000


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
