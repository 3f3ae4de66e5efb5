"""Which of several bundles are one and the same series.

A bundle that comes twice counts once. A copy in which looks were changed, sealed anew,
is named against the one it was copied from, look by look.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from firelab.series.folder import FIRINGS_FILE, PLAN_TABLE
from firelab.studios.pooling.part import Part

_COMPARED = ("temperature_degC", "dwell_s", "stage", "transparency")
_MOST_NAMED = 5


def distinct_parts(parts: Sequence[Part]) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Return the parts without those that are a copy of an earlier one, and notes.

    Parameters
    ----------
    parts : sequence of Part

    Returns
    -------
    tuple of (tuple of Part, tuple of str)
        Two parts are copies where every look is the same, or where plan.csv is the
        same and they share the studio, the bundle they came from, or the names that
        firelab gives to single rows of a log. Studios of a round robin share a plan
        alone, and stay apart.
    """
    kept: list[Part] = []
    notes: list[str] = []
    for part in parts:
        first = next((one for one in kept if _is_copy(one, part)), None)
        if first is None:
            kept.append(part)
            continue
        differing = differing_looks(first, part)
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


def differing_looks(first: Part, second: Part) -> list[str]:
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
    same_hand = first.studio == second.studio or bool(lineage)
    return (
        same_hand
        or bool(_entries(first) & _entries(second))
        or (_looks(first) == _looks(second))
    )


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
