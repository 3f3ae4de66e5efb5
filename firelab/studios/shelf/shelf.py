"""The shelf: any number of bundles in one embedded database, and as Parquet."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firelab.errors import FirelabError
from firelab.studios.shelf.rows import TABLES, ShelvedFile, shelve_file

if TYPE_CHECKING:
    import duckdb

SHELF_FILE = "shelf.duckdb"
SHELF_SCHEMA = "firelab/shelf/2"

_FILES = {
    "file": "VARCHAR",
    "size": "BIGINT",
    "changed_ns": "BIGINT",
    "bundle": "VARCHAR",
    "fault": "VARCHAR",
}
_BATCH = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfChange:
    """What a refresh did.

    Attributes
    ----------
    added, kept, gone : int
        Files read, files unchanged since the last refresh, files taken off.
    refused : tuple of (str, str)
        File and fault of each that is no sound bundle.
    """

    added: int
    kept: int
    gone: int
    refused: tuple[tuple[str, str], ...]


def connect_shelf(
    folder: str | Path, *, read_only: bool = False
) -> duckdb.DuckDBPyConnection:
    """Open the database of a shelf.

    Raises
    ------
    FirelabError
        If DuckDB is not installed, another program holds the shelf, or it was
        written under another schema.
    """
    try:
        import duckdb
    except ImportError:
        raise FirelabError(
            "the shelf needs DuckDB, which is not installed",
            hint="pip install 'firelab[shelf]'",
        ) from None
    path = Path(folder) / SHELF_FILE
    fresh = not path.exists()
    if fresh and read_only:
        raise FirelabError(
            "there is no shelf here", str(path), f"make one with: firelab shelf {folder}"
        )
    try:
        connection = duckdb.connect(str(path), read_only=read_only)
    except duckdb.Error as fault:
        raise FirelabError(
            f"cannot be opened: {str(fault).splitlines()[0]}",
            str(path),
            "end the other program, or delete the file: a shelf is made anew from bundles",
        ) from None
    if fresh:
        _create(connection)
    _check_schema(connection, path)
    return connection


def _create(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute("CREATE TABLE about (schema VARCHAR)")
    connection.execute("INSERT INTO about VALUES (?)", [SHELF_SCHEMA])
    for name, columns in {"files": _FILES, **TABLES}.items():
        listed = ", ".join(f'"{column}" {kind}' for column, kind in columns.items())
        connection.execute(f"CREATE TABLE {name} ({listed})")


def _check_schema(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    import duckdb

    try:
        found = connection.execute("SELECT schema FROM about").fetchone()
    except duckdb.Error:
        found = None
    if found != (SHELF_SCHEMA,):
        connection.close()
        raise FirelabError(
            f"has schema {found[0] if found else None!r}, not {SHELF_SCHEMA!r}",
            str(path),
            "delete the file: a shelf is made anew from bundles",
        )


def refresh_shelf(
    folder: str | Path,
    *,
    jobs: int = 1,
    tell: Callable[[int, int], None] = lambda done, whole: None,
) -> ShelfChange:
    """Bring a shelf up to date with the bundles below its folder.

    Files that have the size and time they had are not read again. Every other
    one is verified as by ``unpack``; a faulty one is named and left out.

    Parameters
    ----------
    folder : str or Path
        Holds bundles (``*.zip``), at any depth.
    jobs : int, default 1
        Processes that read bundles.
    tell : callable
        Called with the number of files read and to be read.

    Returns
    -------
    ShelfChange

    Raises
    ------
    FirelabError
        As `connect_shelf`, or if there is no such folder.
    """
    base = Path(folder)
    if not base.is_dir():
        raise FirelabError("is not a folder", str(base), "name a folder of bundles")
    with connect_shelf(base) as connection:
        found = {name: (size, at) for name, size, at in _list_bundles(base)}
        known = {
            str(name): (int(size), int(at))
            for name, size, at in connection.execute(
                "SELECT file, size, changed_ns FROM files"
            ).fetchall()
        }
        unchanged = {name for name, stamp in found.items() if known.get(name) == stamp}
        wanted = sorted(set(found) - unchanged)
        gone = sorted(set(known) - unchanged)
        connection.execute("BEGIN")
        _take_off(connection, gone)
        done = 0
        for batch in _batches(_read_all(base, wanted, jobs)):
            _put_on(connection, batch)
            done += len(batch)
            tell(done, len(wanted))
        connection.execute("COMMIT")
        refused = connection.execute(
            "SELECT file, fault FROM files WHERE fault <> '' ORDER BY file"
        ).fetchall()
    return ShelfChange(
        added=len(wanted),
        kept=len(unchanged),
        gone=len(set(known) - set(found)),
        refused=tuple((str(name), str(fault)) for name, fault in refused),
    )


def _list_bundles(base: Path) -> Iterator[tuple[str, int, int]]:
    for root, folders, names in os.walk(base):
        folders.sort()
        for name in sorted(names):
            if name.endswith(".zip"):
                path = Path(root) / name
                seen = path.stat()
                yield path.relative_to(base).as_posix(), seen.st_size, seen.st_mtime_ns


def _read_all(base: Path, files: list[str], jobs: int) -> Iterable[ShelvedFile]:
    if jobs == 1 or len(files) < 2 * jobs:
        return (shelve_file(base, file) for file in files)
    from joblib import Parallel, delayed

    parallel = Parallel(n_jobs=jobs, batch_size=20, return_as="generator")
    found: Iterable[ShelvedFile] = parallel(
        delayed(shelve_file)(str(base), file) for file in files
    )
    return found


def _batches(files: Iterable[ShelvedFile]) -> Iterator[list[ShelvedFile]]:
    batch: list[ShelvedFile] = []
    for one in files:
        batch.append(one)
        if len(batch) == _BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _take_off(connection: duckdb.DuckDBPyConnection, files: list[str]) -> None:
    if not files:
        return
    for name in TABLES:
        connection.execute(
            f"DELETE FROM {name} WHERE bundle IN "
            "(SELECT bundle FROM files WHERE file IN (SELECT unnest(?)))",
            [files],
        )
    connection.execute("DELETE FROM files WHERE file IN (SELECT unnest(?))", [files])


def _put_on(connection: duckdb.DuckDBPyConnection, batch: list[ShelvedFile]) -> None:
    shelved = {
        str(key) for (key,) in connection.execute("SELECT bundle FROM bundles").fetchall()
    }
    listed: list[tuple[Any, ...]] = []
    rows: dict[str, list[tuple[Any, ...]]] = {name: [] for name in TABLES}
    for one in batch:
        key = one.rows["bundles"][0][0] if one.rows else ""
        fault = one.fault
        if key and key in shelved:
            fault, key = "the same bundle is on the shelf under another name", ""
        listed.append((one.file, one.size, one.changed_ns, key, fault))
        if key:
            shelved.add(key)
            for name in TABLES:
                rows[name] += one.rows[name]
    _insert(connection, "files", _FILES, listed)
    for name, columns in TABLES.items():
        _insert(connection, name, columns, rows[name])


def _insert(
    connection: duckdb.DuckDBPyConnection,
    table: str,
    columns: dict[str, str],
    rows: list[tuple[Any, ...]],
) -> None:
    if not rows:
        return
    by_column = list(zip(*rows, strict=True))
    given = ", ".join(f'unnest(?::{kind}[]) AS "{name}"' for name, kind in columns.items())
    connection.execute(
        f"INSERT INTO {table} SELECT {given}", [list(values) for values in by_column]
    )


def export_parquet(folder: str | Path, target: str | Path) -> tuple[Path, ...]:
    """Write every table of a shelf as Parquet, for any engine that reads it.

    Parameters
    ----------
    folder : str or Path
        Of the shelf.
    target : str or Path
        Folder to write to; made where it is missing.

    Returns
    -------
    tuple of Path
        One file per table.
    """
    place = Path(target)
    place.mkdir(parents=True, exist_ok=True)
    written = []
    with connect_shelf(folder, read_only=True) as connection:
        for name in TABLES:
            path = place / f"{name}.parquet"
            quoted = str(path).replace("'", "''")
            connection.execute(
                f"COPY (SELECT * FROM {name} ORDER BY ALL) TO '{quoted}' (FORMAT parquet)"
            )
            written.append(path)
    return tuple(written)
