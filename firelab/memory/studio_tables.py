"""A table of a studio folder as rows of named cells, with the faults of its header."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from firelab.errors import Finding
from firelab.records.tables import decode, parse_table


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


def read_studio_table(
    path: Path, columns: Sequence[str], needed: Sequence[str], noun: str
) -> tuple[list[StudioRow], list[Finding]]:
    """Return the rows of a table and the faults of its header; no row where it has any.

    A studio without the table has no row of it.

    Parameters
    ----------
    path : Path
    columns, needed : sequence of str
        Those that it may have and must have.
    noun : str
        What its rows are, such as ``jar``.

    Raises
    ------
    FaultyFile
        If it is no table.
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
