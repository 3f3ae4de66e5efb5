"""The tables of a studio folder: its jars (jars.csv) and where tiles lie (tiles.csv)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import get_args, get_type_hints

from firelab.craft.tile_codes import plain_code
from firelab.errors import FaultyFile, Finding, UsageError
from firelab.records.look import escape_cell, unescape_cell
from firelab.records.tables import decode, parse_table
from firelab.series.firing_series import Enamel
from firelab.series.folder import write_atomically


@dataclass(frozen=True, slots=True, kw_only=True)
class StudioRow:
    """One row of a table, which knows where its cells stand.

    Attributes
    ----------
    file : str
    line : int
    names : tuple of str
        Columns as they stand in the file.
    cells : dict of str to str
    """

    file: str
    line: int
    names: tuple[str, ...]
    cells: dict[str, str]

    def finding(self, code: str, column: str, message: str, hint: str) -> Finding:
        """Return what is wrong with a cell of the row, or with the row."""
        return Finding(
            code=code,
            file=self.file,
            line=self.line,
            column=self.names.index(column) + 1 if column in self.names else 0,
            message=message,
            hint=hint,
        )


def _read_studio_table(
    path: Path, columns: Sequence[str], needed: Sequence[str], noun: str
) -> tuple[list[StudioRow], list[Finding]]:
    """Return the rows of a table and the faults of its header; no row where it has any.

    A studio without the table has no row of it.
    """
    if not path.is_file():
        return [], []
    table = parse_table(
        decode(path.read_bytes(), path.name),
        path.name,
        lambda header: sum(name.casefold() in columns for name in header),
    )
    names = tuple(name.casefold() for name in table.header.cells)
    head = StudioRow(file=path.name, line=table.header.line, names=names, cells={})
    words = [f"column {name} is missing" for name in needed if name not in names]
    strange = [name for name in names if name and name not in columns]
    words += [f"column {name!r} is not one of {noun}s" for name in strange]
    hint = f"the columns are {', '.join(columns)}"
    if words:
        return [], [head.finding(f"{noun}-column", "", text, hint) for text in words]
    rows = [
        StudioRow(
            file=path.name,
            line=row.line,
            names=names,
            cells=dict(zip(names, row.cells, strict=False)),
        )
        for row in table.rows
    ]
    return rows, []


JARS_FILE = "jars.csv"
JAR_COLUMNS = ("jar", "colour", "kind", "maker_code", "lot", "lead", "bought", "note")


def _choices(name: str) -> tuple[str, ...]:
    """Return the words that a key of ``[enamel]`` takes."""
    annotated = get_type_hints(Enamel)[name]
    return tuple(str(word) for word in get_args(annotated))


@dataclass(frozen=True, slots=True, kw_only=True)
class Jar:
    """One row of ``jars.csv``.

    Attributes
    ----------
    jar : str
        The studio's own number of it.
    colour, kind, maker_code, lot, lead : str
        As in ``[enamel]`` of a series.
    bought : date or None
    note : str
    """

    jar: str
    colour: str
    kind: str = "opaque"
    maker_code: str = ""
    lot: str = ""
    lead: str = "unknown"
    bought: date | None = None
    note: str = ""


def read_jars(studio: str | Path) -> dict[str, Jar]:
    """Return the jars of a studio folder by their numbers; none without a jars.csv.

    Raises
    ------
    FaultyFile
        With every fault found, each with its line.
    """
    path = Path(studio) / JARS_FILE
    rows, findings = _read_studio_table(path, JAR_COLUMNS, ("jar", "colour"), "jar")
    jars: dict[str, Jar] = {}
    lines: dict[str, int] = {}
    for row in rows:
        cells = row.cells
        faults, bought = _row_faults(cells, lines)
        findings += [row.finding(*one) for one in faults]
        lines.setdefault(cells.get("jar", ""), row.line)
        if not faults:
            kept = {name: cells[name] for name in JAR_COLUMNS if cells.get(name)}
            kept |= {key: kept[key].casefold() for key in ("kind", "lead") if key in kept}
            jars[cells["jar"]] = Jar(**{**kept, "bought": bought})  # type: ignore[arg-type]
    if findings:
        raise FaultyFile(findings)
    return jars


def _row_faults(
    cells: dict[str, str], lines: dict[str, int]
) -> tuple[list[tuple[str, str, str, str]], date | None]:
    """Return what is wrong with a row: code, column, words, remedy; and its date."""
    faults, bought = [], None
    for name in ("jar", "colour"):
        if not cells.get(name):
            faults.append(("jar-blank", name, f"{name} is empty", "write it in"))
    if cells.get("jar") in lines:
        words = f"jar {cells['jar']} is in line {lines[cells['jar']]} already"
        faults.append(("jar-twice", "jar", words, "give each jar a number of its own"))
    for name in ("kind", "lead"):
        known = _choices(name)
        if cells.get(name) and cells[name].casefold() not in known:
            words = f"{name} {cells[name]!r} is not known"
            faults.append(("jar-word", name, words, f"one of {', '.join(known)}"))
    try:
        bought = date.fromisoformat(cells["bought"]) if cells.get("bought") else None
    except ValueError:
        words = f"{cells['bought']!r} is not a date"
        faults.append(("jar-date", "bought", words, "write such as 2026-01-31"))
    return faults, bought


def known_jar(jars: dict[str, Jar], number: str) -> Jar:
    """Return a jar by its number.

    Raises
    ------
    UsageError
        If there is none.
    """
    if number not in jars:
        listed = ", ".join(sorted(jars))
        raise UsageError(
            f"{JARS_FILE} has no jar {number!r}{f' (it has: {listed})' if jars else ''}",
            "--jar",
            f"add a line for it to {JARS_FILE}",
        )
    return jars[number]


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
    rows, findings = _read_studio_table(path, TILE_COLUMNS, ("tile", "lies"), "tile")
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
