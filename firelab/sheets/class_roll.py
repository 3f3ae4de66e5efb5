"""A class: its names, and which tiles are whose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from firelab.errors import UsageError
from firelab.sheets.tile_places import PlannedTile


@dataclass(frozen=True, slots=True, kw_only=True)
class Student:
    """A student and the tiles that are the student's own."""

    name: str
    tiles: tuple[PlannedTile, ...]


def deal_tiles(
    tiles: Sequence[PlannedTile], names: Sequence[str] | None = None
) -> tuple[Student, ...]:
    """Deal tiles to students in turn; without names, one student for each tile.

    Parameters
    ----------
    tiles : sequence of PlannedTile
        In firing order.
    names : sequence of str, optional
        As printed; a student beyond the number of tiles gets none and no page.
    """
    if not names:
        return tuple(
            Student(name=f"Student {number}", tiles=(tile,))
            for number, tile in enumerate(tiles, start=1)
        )
    dealt = (
        Student(name=name, tiles=tuple(tiles[first :: len(names)]))
        for first, name in enumerate(names)
    )
    return tuple(student for student in dealt if student.tiles)


def read_class_list(path: str | Path) -> tuple[str, ...]:
    """Return the names in a text file, one a line, blank lines left out.

    Parameters
    ----------
    path : str or Path
        UTF-8 text.

    Raises
    ------
    UsageError
        If the file cannot be read, is not UTF-8 text, or holds no name.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as fault:
        raise UsageError(
            f"cannot be read: {fault.strerror}", str(path), "name a text file of names"
        ) from None
    except UnicodeDecodeError as fault:
        raise UsageError(
            f"is not UTF-8 text at byte {fault.start}", str(path), "save it as UTF-8"
        ) from None
    names = tuple(line.strip() for line in text.splitlines() if line.strip())
    if not names:
        raise UsageError("holds no name", str(path), "write one name a line")
    return names
