"""One studio's contribution to a pool, and which of several are one and the same series.

A bundle that comes twice counts once. A copy in which looks were changed, sealed anew,
is named against the one it was copied from, look by look.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from firelab.errors import FirelabError
from firelab.records.firing_log import read_firings
from firelab.records.records import Records
from firelab.series.firing_series import Enamel
from firelab.series.folder import FIRINGS_FILE, PLAN_TABLE
from firelab.studios.bundle.bundle import (
    NEEDED_FILES,
    Bundle,
    read_bundle,
    read_bundled_firings,
)
from firelab.studios.bundle.deposit import Origin, read_origin
from firelab.studios.bundle.descriptor import DESCRIPTOR_FILE

_COMPARED = ("temperature_degC", "dwell_s", "stage", "transparency")
_MOST_NAMED = 5


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

    Examples
    --------
    >>> import firelab
    >>> firelab.read_part(firelab.start_demo(), "north").studio
    'north'
    """
    place = Path(path)
    origin: Origin | None
    if place.is_dir():
        files = {
            one.name: one.read_bytes() for one in sorted(place.iterdir()) if one.is_file()
        }
        missing = [name for name in NEEDED_FILES if name not in files]
        if missing:
            raise FirelabError(
                f"lacks {', '.join(missing)}",
                str(place),
                "fire its plan and record the looks first",
            )
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


def distinct_parts(parts: Sequence[Part]) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Return the parts without those that are a copy of an earlier one, and notes.

    Returns
    -------
    tuple of (tuple of Part, tuple of str)
        Two parts are copies where every look is the same, or where plan.csv is the
        same and they share the studio with mark and jar, the bundle they came from, or the
        names that firelab gives to single rows of a log. Studios of a round robin share a
        plan alone, and stay apart.
    """
    kept: list[Part] = []
    notes: list[str] = []
    for part in parts:
        first = next((one for one in kept if _is_copy(one, part)), None)
        if first is None:
            kept.append(part)
            continue
        differing = _differing_looks(first, part)
        if not differing:
            notes.append(f"{part.file} is the same series as {first.file}: counted once")
            continue
        rest = len(differing) - _MOST_NAMED
        listed = "; ".join(differing[:_MOST_NAMED]) + (f"; {rest} more" if rest > 0 else "")
        notes.append(
            f"{part.file} is a copy of {first.file} with other looks, and was left out: "
            f"{listed}. Ask both senders which is right"
        )
    return tuple(kept), tuple(notes)


def _differing_looks(first: Part, second: Part) -> list[str]:
    """Return each look that two logs tell differently, in words."""
    mine, theirs = _looks(first), _looks(second)
    words = []
    for key in [*mine, *(key for key in theirs if key not in mine)]:
        one, other = mine.get(key), theirs.get(key)
        if one == other:
            continue
        who = f"tile {key[0]}, look {key[1]}"
        if one is None or other is None:
            has, lacks = (first, second) if other is None else (second, first)
            words.append(f"{who} is in {has.file} and not in {lacks.file}")
            continue
        words += [
            f"{who}: {name} is {a} in {first.file}, {b} in {second.file}"
            for name, a, b in zip(_COMPARED, one, other, strict=True)
            if a != b
        ]
    return words


def _is_copy(first: Part, second: Part) -> bool:
    if first.bundle.contents[PLAN_TABLE] != second.bundle.contents[PLAN_TABLE]:
        return False
    lineage = set(first.lineage) & set(second.lineage)
    same_jar = first.studio == second.studio and _jar(first) == _jar(second)
    return (
        same_jar
        or bool(lineage)
        or bool(_entries(first) & _entries(second))
        or (_looks(first) == _looks(second))
    )


def _jar(part: Part) -> tuple[str, Enamel]:
    """Return what tells two series of one studio apart that share design and seed."""
    return part.records.series.mark, part.records.series.enamel


def _looks(part: Part) -> dict[tuple[str, int], tuple[str, ...]]:
    looks = part.records.looks
    return {
        (str(row["tile"]), int(row["look"])): tuple(
            "blank" if row[name] != row[name] else str(row[name]) for name in _COMPARED
        )
        for row in looks.to_dict("records")
    }


def _entries(part: Part) -> set[str]:
    """Return the names that firelab gave to the rows of a log."""
    text = part.bundle.text(FIRINGS_FILE)
    return {row.get("entry") or "" for row in csv.DictReader(io.StringIO(text))} - {""}
