"""Where the tiles of a studio lie: ``tiles.csv``, a tile or a whole series a row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from firelab.craft.tile_codes import plain_code
from firelab.errors import FaultyFile
from firelab.memory.studio_tables import read_studio_table
from firelab.records.look import escape_cell, unescape_cell
from firelab.series.folder import write_atomically

TILES_FILE = "tiles.csv"
TILE_COLUMNS = ("tile", "lies", "note")
_NAME_IT = "write its mark and code, or the mark of its series"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredTile:
    """One row of ``tiles.csv``.

    Attributes
    ----------
    tile : str
        Mark and code, such as ``KE-AEX``; the mark alone for all tiles of a series.
    lies : str
        Drawer, box or wall, in the studio's own words.
    note : str
    line : int
    """

    tile: str
    lies: str
    note: str = ""
    line: int = 0


def read_stored(studio: str | Path) -> dict[str, StoredTile]:
    """Return where tiles lie, by `plain_code`; nothing without a tiles.csv.

    Raises
    ------
    FaultyFile
        With every fault found, each with its line.
    """
    path = Path(studio) / TILES_FILE
    rows, findings = read_studio_table(path, TILE_COLUMNS, ("tile", "lies"), "tile")
    found: dict[str, StoredTile] = {}
    for row in rows:
        cells = {name: unescape_cell(text) for name, text in row.cells.items()}
        name = plain_code(cells.get("tile", ""))
        before = found.get(name)
        if not name:
            findings.append(row.finding("tile-blank", "tile", "tile is empty", _NAME_IT))
        elif not cells.get("lies"):
            hint = "write where it lies, or take the row out"
            findings.append(row.finding("tile-blank", "lies", "lies is empty", hint))
        elif before is not None:
            words = f"tile {cells['tile']} is in line {before.line} already"
            findings.append(row.finding("tile-twice", "tile", words, "keep one of the two"))
        else:
            kept = {key: cells.get(key, "") for key in TILE_COLUMNS}
            found[name] = StoredTile(**kept, line=row.line)
    if findings:
        raise FaultyFile(findings)
    return found


def store_tiles(studio: str | Path, tiles: Iterable[str], lies: str) -> Path:
    """Write where tiles lie into tiles.csv, and return its path.

    Parameters
    ----------
    studio : str or Path
    tiles : iterable of str
        Mark and code of each, or the mark of a series; rows that name them are replaced.
    lies : str

    Raises
    ------
    FaultyFile
        With every fault of the file that is there; it is then left as it is.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> print(firelab.store_tiles(studio, ["KE-AEX", "AN"], "drawer 3").read_text())
    tile,lies,note
    KE-AEX,drawer 3,
    AN,drawer 3,
    <BLANKLINE>
    """
    path = Path(studio) / TILES_FILE
    stored = read_stored(studio)
    for tile in tiles:
        before = stored.get(plain_code(tile))
        note = before.note if before else ""
        stored[plain_code(tile)] = StoredTile(tile=tile, lies=lies, note=note)
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(TILE_COLUMNS)
    for one in stored.values():
        writer.writerow([escape_cell(text) for text in (one.tile, one.lies, one.note)])
    write_atomically(path, stream.getvalue())
    return path
