"""Fit, windows and next tiles as the files of a series folder."""

from __future__ import annotations

from pathlib import Path

from firelab.series.folder import (
    FIT_FILE,
    INVENTED,
    NEXT_FILE,
    WINDOWS_FILE,
    WINDOWS_TABLE,
    json_text,
    write_atomically,
)
from firelab.windows.fit_file import FolderFit, fit_to_dict
from firelab.windows.next_choice import NextTiles
from firelab.windows.window import FiringWindows

_NOTE = "note"


def write_fit(folder: str | Path, found: FolderFit) -> Path:
    """Write fit.json and return its path."""
    path = Path(folder) / FIT_FILE
    write_atomically(path, json_text(fit_to_dict(found)))
    return path


def write_windows(
    folder: str | Path, windows: FiringWindows, *, invented: bool = False
) -> Path:
    """Write windows.json and windows.csv and return the path of the first.

    An invented series' table has one column more, ``note``, that says so.
    """
    path = Path(folder) / WINDOWS_FILE
    write_atomically(path, json_text(windows.to_dict()))
    table = windows.table.assign(**({_NOTE: INVENTED} if invented else {}))
    write_atomically(
        Path(folder) / WINDOWS_TABLE, table.to_csv(index=False, lineterminator="\n")
    )
    return path


def write_next(folder: str | Path, chosen: NextTiles, *, invented: bool = False) -> Path:
    """Write next.csv and return its path."""
    path = Path(folder) / NEXT_FILE
    table = chosen.table.assign(**({_NOTE: INVENTED} if invented else {}))
    write_atomically(path, table.to_csv(index=False, lineterminator="\n"))
    return path
