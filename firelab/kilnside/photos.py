"""Photos of tiles, kept beside the log under the name of their entry."""

from __future__ import annotations

import re
from pathlib import Path

from firelab.errors import FirelabError
from firelab.records.look import ENTRY_LENGTH
from firelab.series.folder import write_atomically

PHOTOS_FOLDER = "photos"
LARGEST_PHOTO_BYTES = 8_000_000
_ENTRY = re.compile(rf"[0-9a-z]{{{ENTRY_LENGTH}}}")
_STARTS = {b"\xff\xd8\xff": "jpg", b"\x89PNG\r\n\x1a\n": "png"}


def photo_kind(raw: bytes) -> str | None:
    """Return ``jpg`` or ``png`` by the first bytes; None for anything else."""
    return next((kind for start, kind in _STARTS.items() if raw.startswith(start)), None)


def keep_photo(folder: str | Path, entry: str, raw: bytes) -> str:
    """Keep a photo and return its name within the series folder.

    A photo that is sent twice is kept once; one that stands is never replaced.

    Parameters
    ----------
    folder : str or Path
        The series folder.
    entry : str
        Name of the entry that it shows.
    raw : bytes
        A JPEG or PNG.

    Raises
    ------
    FirelabError
        If the entry is no name of one, or the bytes are no such picture.
    """
    if not _ENTRY.fullmatch(entry):
        raise FirelabError("the photo names no entry")
    kind = photo_kind(raw)
    if kind is None:
        raise FirelabError("the photo is neither JPEG nor PNG")
    kept = Path(folder) / PHOTOS_FOLDER
    kept.mkdir(exist_ok=True)
    standing = [path.name for path in kept.glob(f"{entry}.*")]
    if not standing:
        write_atomically(kept / f"{entry}.{kind}", raw)
    return f"{PHOTOS_FOLDER}/{standing[0] if standing else f'{entry}.{kind}'}"
