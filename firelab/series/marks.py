"""The mark of a series, so that tiles of several series in one drawer differ."""

from __future__ import annotations

import hashlib
import tomllib
from itertools import product
from pathlib import Path

from firelab.craft.tile_codes import ALPHABET
from firelab.series.folder import SERIES_FILE

MARK_LENGTH = 2
"""Symbols: 121 series in one studio, and short enough to be scratched."""


def marked_code(mark: str, code: str) -> str:
    """Return a tile's code with the mark of its series.

    Examples
    --------
    >>> marked_code("KE", "AEX"), marked_code("", "AEX")
    ('KE-AEX', 'AEX')
    """
    return f"{mark}-{code}" if mark else code


def neighbour_marks(folder: str | Path) -> dict[str, str]:
    """Return the marks of the other series in the same parent folder.

    Returns
    -------
    dict of str to str
        Mark to the name of the folder that has it.
    """
    own = Path(folder).resolve()
    marks: dict[str, str] = {}
    for path in sorted(own.parent.glob(f"*/{SERIES_FILE}")):
        if path.parent.resolve() == own:
            continue
        try:
            declared = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError):
            continue  # a faulty neighbour is its own folder's finding
        if isinstance(declared.get("mark"), str):
            marks.setdefault(declared["mark"], path.parent.name)
    return marks


def propose_mark(folder: str | Path) -> str:
    """Return a mark that no neighbour has: the same for the same folder and neighbours."""
    marks = ["".join(symbols) for symbols in product(ALPHABET, repeat=MARK_LENGTH)]
    name = Path(folder).resolve().name
    start = int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big") % len(marks)
    taken = neighbour_marks(folder)
    return next((one for one in marks[start:] + marks[:start] if one not in taken), "")
