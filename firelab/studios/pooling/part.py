"""One studio's contribution to a pool."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from firelab.errors import FirelabError
from firelab.records.firing_log import read_firings
from firelab.records.records import Records
from firelab.studios.bundle.bundle import (
    NEEDED_FILES,
    Bundle,
    read_bundle,
    read_bundled_firings,
)
from firelab.studios.bundle.descriptor import DESCRIPTOR_FILE
from firelab.studios.bundle.origin import Origin, read_origin


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One studio's contribution.

    Attributes
    ----------
    studio : str
    file : str
        Where it was read from.
    bundle : Bundle
    records : Records
    origin : Origin or None
        The bundle, or the one that a folder was unpacked from; None for a series
        that was fired here.
    """

    studio: str
    file: str
    bundle: Bundle
    records: Records
    origin: Origin | None

    @property
    def lineage(self) -> tuple[str, ...]:
        """SHA-256 of the bundle and of all that it was made from."""
        return self.origin.lineage if self.origin else ()

    @property
    def rests_on(self) -> str:
        """Studio, licence and hash, in words."""
        if self.origin is None:
            return f"{self.studio}: {self.file}, not packed, no licence stated"
        licence = self.origin.licence or "no licence stated"
        return f"{self.studio}: {licence}, bundle SHA-256 {self.origin.sha256}"


def read_part(path: str | Path, studio: str = "") -> Part:
    """Read a bundle, or a folder as `unpack` writes it, as one studio's part.

    Parameters
    ----------
    path : str or Path
        A bundle or a series folder.
    studio : str, default ''
        Its name; by default as the bundle says, else the file's.

    Raises
    ------
    FaultyFile, FirelabError
        If it cannot be read.
    """
    place = Path(path)
    origin: Origin | None
    if place.is_dir():
        files = {
            one.name: one.read_bytes() for one in sorted(place.iterdir()) if one.is_file()
        }
        missing = [name for name in NEEDED_FILES if name not in files]
        if missing:
            raise FirelabError(f"lacks {', '.join(missing)}", str(place), "pack it first")
        bundle, records = Bundle(contents=files), read_firings(place)
        # Folders unpacked before there was an origin.json hold the descriptor.
        origin = bundle.origin if DESCRIPTOR_FILE in files else read_origin(place)
    else:
        bundle = read_bundle(place)
        records, origin = read_bundled_firings(bundle), bundle.origin
    named = origin.studio if origin else ""
    return Part(
        studio=studio or named or place.stem,
        file=str(path),
        bundle=bundle,
        records=records,
        origin=origin,
    )
