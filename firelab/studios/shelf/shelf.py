"""The shelf: any number of bundles in one embedded database, and as Parquet.

A refresh works on a copy, batch by batch, each kept once it is whole: what a kill leaves
is carried on by the next refresh. Only then does the copy take the shelf's place, in one
step, so that any number of readers ask the shelf as it was while one writes.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from firelab.errors import FirelabError
from firelab.studios.shelf.rows import TABLES, ShelvedFile, shelve_file

if TYPE_CHECKING:
    import duckdb

SHELF_FILE = "shelf.duckdb"
WRITING_FILE = "shelf.writing.duckdb"
SHELF_SCHEMA = "firelab/shelf/2"

_FILES = {
    "file": "VARCHAR",
    "size": "BIGINT",
    "changed_ns": "BIGINT",
    "bundle": "VARCHAR",
    "copy_of": "VARCHAR",
    "fault": "VARCHAR",
}
_BATCH = 500
"""Bundles that a kill may cost (chosen here: a second or ten of reading)."""


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


def connect_shelf(folder: str | Path) -> duckdb.DuckDBPyConnection:
    """Open the database of a shelf to read it.

    Raises
    ------
    FirelabError
        If DuckDB is not installed, there is no shelf, it cannot be opened, or it was
        written under another schema.
    """
    path = Path(folder) / SHELF_FILE
    _engine()
    if not path.exists():
        raise FirelabError(
            "there is no shelf here", str(path), f"make one with: firelab shelf {folder}"
        )
    connection = _open(path, read_only=True)
    found = _schema(connection)
    if found != SHELF_SCHEMA:
        connection.close()
        raise FirelabError(
            f"has schema {found!r}, not {SHELF_SCHEMA!r}",
            str(path),
            f"make it anew with: firelab shelf {folder}",
        )
    return connection


def _engine() -> Any:
    try:
        import duckdb
    except ImportError:
        raise FirelabError(
            "the shelf needs DuckDB, which is not installed",
            hint="pip install 'firelab[shelf]'",
        ) from None
    return duckdb


def _open(path: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    engine, fresh = _engine(), not path.exists()
    try:
        connection: duckdb.DuckDBPyConnection = engine.connect(
            str(path), read_only=read_only
        )
    except engine.Error as fault:
        raise FirelabError(
            f"cannot be opened: {str(fault).splitlines()[0]}",
            str(path),
            "end the other program, or delete the file: a shelf is made anew from bundles",
        ) from None
    if fresh:
        _create(connection)
    return connection


def _schema(connection: duckdb.DuckDBPyConnection) -> str | None:
    try:
        found = connection.execute("SELECT schema FROM about").fetchone()
    except _engine().Error:
        return None
    return str(found[0]) if found else None


def _create(connection: duckdb.DuckDBPyConnection) -> None:
    connection.execute("CREATE TABLE about (schema VARCHAR)")
    connection.execute("INSERT INTO about VALUES (?)", [SHELF_SCHEMA])
    for name, columns in {"files": _FILES, **TABLES}.items():
        listed = ", ".join(f'"{column}" {kind}' for column, kind in columns.items())
        connection.execute(f"CREATE TABLE {name} ({listed})")


def refresh_shelf(
    folder: str | Path,
    *,
    jobs: int = 1,
    tell: Callable[[int, int], None] = lambda done, whole: None,
) -> ShelfChange:
    """Bring a shelf up to date with the bundles below its folder.

    Files that have the size and time they had are not read again. Every other
    one is verified as by ``unpack``; a faulty one is named and left out, and so is a
    copy, until its original is gone.

    Parameters
    ----------
    folder : str or Path
        Holds bundles (``*.zip``), at any depth.
    jobs : int, default 1
        Processes that read bundles.
    tell : callable
        Called with the number of files read and to be read.

    Raises
    ------
    FirelabError
        As `connect_shelf`, or if there is no such folder.

    Examples
    --------
    >>> import firelab
    >>> bundle = firelab.pack_series(folder := firelab.start_demo(), licence="CC0-1.0")
    >>> shelf = folder / "shelf"
    >>> shelf.mkdir()
    >>> _ = (shelf / "north.zip").write_bytes(bundle.raw)
    >>> firelab.refresh_shelf(shelf)
    ShelfChange(added=1, kept=0, gone=0, refused=())
    """
    base = Path(folder)
    if not base.is_dir():
        raise FirelabError("is not a folder", str(base), "name a folder of bundles")
    found = {name: (size, at) for name, size, at in _list_bundles(base)}
    if _is_current(base, found):
        with connect_shelf(base) as connection:
            return ShelfChange(
                added=0, kept=len(found), gone=0, refused=_refused(connection)
            )
    with _open_copy(base) as connection:
        known = _known(connection)
        unchanged = {name for name, stamp in found.items() if known.get(name) == stamp}
        connection.execute("BEGIN")
        _take_off(connection, sorted(set(known) - unchanged))
        freed = _freed_copies(connection)
        _take_off(connection, sorted(freed))
        connection.execute("COMMIT")
        wanted = sorted(set(found) - unchanged | freed)
        done = 0
        for batch in _batches(_read_all(base, wanted, jobs)):
            connection.execute("BEGIN")
            _put_on(connection, batch)
            connection.execute("COMMIT")
            done += len(batch)
            tell(done, len(wanted))
        refused = _refused(connection)
    os.replace(base / WRITING_FILE, base / SHELF_FILE)
    return ShelfChange(
        added=len(wanted),
        kept=len(unchanged - freed),
        gone=len(set(known) - set(found)),
        refused=refused,
    )


def _known(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    """Return size and time of each file that was read."""
    listed = connection.execute("SELECT file, size, changed_ns FROM files").fetchall()
    return {str(name): (int(size), int(at)) for name, size, at in listed}


def _is_current(base: Path, found: dict[str, tuple[int, int]]) -> bool:
    if (base / WRITING_FILE).exists() or not (base / SHELF_FILE).exists():
        return False
    if not _has_schema(base / SHELF_FILE):
        return False
    with connect_shelf(base) as connection:
        return _known(connection) == found


def _has_schema(path: Path) -> bool:
    """Tell whether a shelf has this schema; one of an earlier firelab is made anew."""
    with _open(path, read_only=True) as connection:
        return _schema(connection) == SHELF_SCHEMA


def _open_copy(base: Path) -> duckdb.DuckDBPyConnection:
    """Open what a killed refresh left, or a copy of the shelf; others are held off."""
    path, shelf = base / WRITING_FILE, base / SHELF_FILE
    if path.exists() and not _has_schema(path):
        path.unlink()
    if not path.exists() and shelf.exists() and _has_schema(shelf):
        part = base / f"shelf.{os.getpid()}.part"
        shutil.copyfile(shelf, part)
        # Another refresh that came first keeps its file: this one is then refused by it.
        try:
            os.link(part, path)
        except FileExistsError:
            pass
        finally:
            part.unlink()
    return _open(path, read_only=False)


def _freed_copies(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """Return the files that were left out as copies of a bundle that is gone."""
    freed = connection.execute(
        "SELECT file FROM files WHERE copy_of <> '' "
        "AND copy_of NOT IN (SELECT bundle FROM bundles)"
    ).fetchall()
    return {str(name) for (name,) in freed}


def _refused(connection: duckdb.DuckDBPyConnection) -> tuple[tuple[str, str], ...]:
    refused = connection.execute(
        "SELECT file, fault FROM files WHERE fault <> '' ORDER BY file"
    ).fetchall()
    return tuple((str(name), str(fault)) for name, fault in refused)


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
    keys = [one.rows["bundles"][0][0] for one in batch if one.rows]
    there = connection.execute(
        "SELECT bundle FROM bundles WHERE bundle IN (SELECT unnest(?::VARCHAR[]))", [keys]
    ).fetchall()
    shelved = {str(key) for (key,) in there}
    listed: list[tuple[Any, ...]] = []
    rows: dict[str, list[tuple[Any, ...]]] = {name: [] for name in TABLES}
    for one in batch:
        key = one.rows["bundles"][0][0] if one.rows else ""
        fault, copy_of = one.fault, ""
        if key and key in shelved:
            fault = "the same bundle is on the shelf under another name"
            key, copy_of = "", key
        listed.append((one.file, one.size, one.changed_ns, key, copy_of, fault))
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


def export_parquet(
    folder: str | Path, target: str | Path, *, partitioned: bool = False
) -> tuple[Path, ...]:
    """Write every table of a shelf as Parquet, for any engine that reads it.

    Parameters
    ----------
    folder : str or Path
        Of the shelf.
    target : str or Path
        Folder to write to; made where it is missing.
    partitioned : bool, default False
        A folder for each table, with folders ``kind=.../metal=...`` in it, so that an
        engine reads what a question needs, from here or from an object store.

    Returns
    -------
    tuple of Path
        One file, or folder, per table.
    """
    place = Path(target)
    place.mkdir(parents=True, exist_ok=True)
    written = []
    with connect_shelf(folder) as connection:
        for name in TABLES:
            path = place / (name if partitioned else f"{name}.parquet")
            quoted = str(path).replace("'", "''")
            form, rows = "FORMAT parquet", f"SELECT * FROM {name}"
            if partitioned:
                form += ", PARTITION_BY (kind, metal), OVERWRITE"
                if name != "bundles":
                    rows = (
                        f"SELECT t.*, b.kind, b.metal FROM {name} t "
                        "JOIN bundles b USING (bundle)"
                    )
            connection.execute(f"COPY ({rows} ORDER BY ALL) TO '{quoted}' ({form})")
            written.append(path)
    return tuple(written)
