"""Where a key stands in a TOML text, so that a finding can name its line."""

from __future__ import annotations

import re
from collections.abc import Sequence

_HEADER = re.compile(r"^\s*\[(\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^(\s*)([A-Za-z0-9_.\"'-]+)\s*=")


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def locate(text: str, path: Sequence[str | int]) -> tuple[int, int]:
    r"""Return line and column, from 1, of the deepest part of a path found.

    Parameters
    ----------
    text : str
        The whole file.
    path : sequence of str or int
        Keys from the outside in; an int is the place in an array of tables.

    Returns
    -------
    tuple of (int, int)
        (1, 1) where no part of the path is in the file.

    Examples
    --------
    >>> locate("a = 1\n[b]\nc = 2\n", ["b", "c"])
    (3, 1)
    """
    wanted = [str(part) for part in path]
    best, place = 0, (1, 1)
    table: list[str] = []
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            table = _parts(header[2])
            if header[1]:
                dotted = ".".join(table)
                table = [*table, str(counts.get(dotted, 0))]
                counts[dotted] = counts.get(dotted, 0) + 1
            here, column = table, 1
        elif key:
            here, column = [*table, *_parts(key[2])], len(key[1]) + 1
        else:
            continue
        if len(here) > best and here == wanted[: len(here)]:
            best, place = len(here), (number, column)
    return place
