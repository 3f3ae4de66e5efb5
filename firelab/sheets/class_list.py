"""The names of a class, one a line."""

from __future__ import annotations

from pathlib import Path

from firelab.errors import UsageError


def read_class_list(path: str | Path) -> tuple[str, ...]:
    """Return the names in a text file, blank lines left out.

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
