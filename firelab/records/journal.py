r"""The journal: ``firings.csv`` as a file that is only ever added to.

Why no acknowledged look is lost, and no half row read:

- One look is one line. Text cells hold no line break, so a line is whole when
  its newline is there, and the newline is the last byte written of it.
- Rows are written by one process at a time (a lock that ends with the
  process, however it ends), flushed, and forced to disk before anyone is told
  that they are recorded. A kill before that leaves at most the beginning of
  what was being written: whole lines, then one torn line.
- A last line without its newline is torn if it has too few cells or an open
  quote, or says when it was recorded without a whole entry name, the last
  cell firelab writes. A reader leaves it out; the next writer first moves it
  to `TORN_FILE`, so that nothing is thrown away.
- A last line that a person typed without a newline has all its cells and says
  nothing of when it was recorded: it is read, and given its newline.
- A log that a spreadsheet saved in another form is rewritten once, whole or not
  at all, and the file as it was is kept in `KEPT_FOLDER`.
"""

from __future__ import annotations

import csv
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from firelab.craft.trade_words import count_words
from firelab.errors import FirelabError
from firelab.records.look import ENTRY_LENGTH, HEADER_TEXT, OWN_FORMS, Look, rows_text
from firelab.series.folder import FIRINGS_FILE, sha256_of, write_atomically

LOCK_FILE = ".firings.lock"
TORN_FILE = "firings.torn"
KEPT_FOLDER = "firings-kept"
LONGEST_WAIT_S = 20.0
"""A row is written in milliseconds: by then its writer hangs (chosen here)."""


def _lock(handle: int) -> bool:
    try:
        import fcntl
    except ImportError:  # a system without POSIX locks
        import msvcrt

        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


@contextmanager
def journal_lock(folder: str | Path) -> Iterator[None]:
    """Hold the right to write the firing log of a folder.

    Raises
    ------
    FirelabError
        If another process holds it for longer than `LONGEST_WAIT_S`.
    """
    path = Path(folder) / LOCK_FILE
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        patience = time.monotonic() + LONGEST_WAIT_S
        while not _lock(handle):
            if time.monotonic() > patience:
                raise FirelabError(
                    f"another program has been writing for {LONGEST_WAIT_S:g} s",
                    str(path.parent / FIRINGS_FILE),
                    "wait for it, or end it, and record again; nothing was changed",
                )
            time.sleep(0.005)
        yield
    finally:
        os.close(handle)


def _split_torn(raw: bytes) -> tuple[bytes, bytes]:
    r"""Return the whole lines of a log, and the torn one at its end.

    Examples
    --------
    >>> whole = HEADER_TEXT.encode() + b"AEX,1,1,1,,,full,,,,,,,,,,\n"
    >>> _split_torn(whole + b"AF") == (whole, b"AF")
    True
    """
    end = raw.rfind(b"\n") + 1
    rest = raw[end:]
    if not rest or not _is_torn(rest, raw[: raw.find(b"\n") + 1]):
        return raw, b""
    return raw[:end], rest


def _is_torn(rest: bytes, header: bytes) -> bool:
    if not header:
        return HEADER_TEXT.encode().startswith(rest)
    try:
        text, names = rest.decode("utf-8"), header.decode("utf-8-sig")
    except UnicodeDecodeError:
        return True
    columns = tuple(next(csv.reader([names]), []))
    if columns not in OWN_FORMS:
        return False  # not written by firelab: whatever is wrong is a finding
    if text.count('"') % 2 or "\0" in text:
        return True
    cells = next(csv.reader([text]), [])
    row = dict(zip(columns, cells, strict=False))
    whole_entry = len(row.get("entry", "")) == ENTRY_LENGTH
    return len(cells) < len(columns) or (bool(row["recorded_at"]) and not whole_entry)


def read_journal(folder: str | Path) -> tuple[bytes, bytes]:
    """Return the bytes of a folder's log up to its last whole line, and the torn rest.

    Both are empty where there is no log.
    """
    path = Path(folder) / FIRINGS_FILE
    return _split_torn(path.read_bytes()) if path.exists() else (b"", b"")


def append_looks(
    folder: str | Path,
    looks: Iterable[Look],
    as_own: Callable[[bytes], str],
) -> int:
    """Add rows to the log and force them to disk; the caller holds the lock.

    Parameters
    ----------
    folder : str or Path
    looks : iterable of Look
    as_own : callable
        Rewrites a log of another form as lines under `LOG_COLUMNS`.

    Returns
    -------
    int
        Line of the first row that was added.

    Raises
    ------
    FirelabError
        If not all could be written: then none is kept, or it says how many are.
    """
    path = Path(folder) / FIRINGS_FILE
    whole, torn = read_journal(folder)
    if torn:
        _write_through(path.parent / TORN_FILE, torn + b"\n", os.O_APPEND)
        os.truncate(path, len(whole))
    if whole and not whole.startswith(HEADER_TEXT.encode()):
        _keep_aside(path)
        write_atomically(path, as_own(whole))
    elif not whole.endswith(b"\n") and whole:
        _write_through(path, b"\n", os.O_APPEND)
    text = rows_text(looks)
    stood = path.read_bytes() if path.exists() else b""
    before = stood.count(b"\n") if whole else 1
    try:
        _write_through(path, (text if whole else HEADER_TEXT + text).encode(), os.O_APPEND)
    except OSError as fault:
        raise _not_whole(path, len(stood), before, text.count("\n"), fault) from None
    _sync_folder(path.parent)
    return before + 1


def _not_whole(
    path: Path, stood: int, before: int, count: int, fault: OSError
) -> FirelabError:
    """Take back what was written of a batch, and say how much of it is kept."""
    kept = 0
    try:
        os.truncate(path, stood)
    except OSError:
        whole, _ = read_journal(path.parent)
        kept = max(0, whole.count(b"\n") - before)
    return FirelabError(
        f"could not be written ({fault.strerror}): {kept} of {count_words(count, 'look')} "
        f"{'is' if kept == 1 else 'are'} kept",
        str(path),
        "make room on the disk and record the same again: what stands is not added twice",
    )


def _keep_aside(path: Path) -> None:
    kept = path.parent / KEPT_FOLDER
    kept.mkdir(exist_ok=True)
    copy = kept / f"{path.stem}-{sha256_of(path)[:12]}{path.suffix}"
    if not copy.exists():
        write_atomically(copy, path.read_bytes())


def _write_through(path: Path, raw: bytes, how: int) -> None:
    binary = getattr(os, "O_BINARY", 0)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | binary | how, 0o644)
    try:
        left = memoryview(raw)
        while left:
            left = left[os.write(handle, left) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_folder(folder: Path) -> None:
    """Force a new file's name to disk, where the system lets a folder be opened."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
