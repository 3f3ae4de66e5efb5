"""What a plan, a fit or windows were made from, and which of it has changed since."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from firelab.series.folder import (
    FIRINGS_FILE,
    PLAN_TABLE,
    SERIES_FILE,
    TRACES_FOLDER,
    sha256_of,
    stale_sources,
    trace_files,
)
from firelab.series.series_file import read_series, series_hash
from firelab.series.what_matters import MATTERS, differs, series_parts, short_hash


def changed_since(
    folder: str | Path, provenance: Mapping[str, Any], made: str
) -> list[str]:
    """Name what a result was made from that has changed since.

    A file whose bytes are others counts, unless what the result took from it stands.

    Parameters
    ----------
    folder : str or Path
        The series folder.
    provenance : mapping
        As the result's file holds it. Without ``parts``, as files made before had
        none, series.toml counts as changed where its bytes have.
    made : {'plan', 'fit', 'windows'}

    Returns
    -------
    list of str
        Such as ``factors.dwell of series.toml`` or ``firings.csv``; empty where all
        that matters stands as it was.
    """
    changed = []
    stored, sources = provenance.get("parts") or {}, provenance.get("sources", {})
    if stored:
        now, keys = series_parts(read_series(folder)), MATTERS[made]
        changed = [
            f"{key} of {SERIES_FILE}"
            for key in sorted({*stored, *now})
            if key.startswith(keys) and differs(key, stored, now)
        ]
    elif series_hash(folder) != provenance["series_hash"]:
        changed = [SERIES_FILE]
    parts = record_parts(folder) if FIRINGS_FILE in sources else {}
    changed += [
        name
        for name in stale_sources(folder, sources)
        if name not in stored or differs(name, stored, parts)
    ]
    if differs(TRACES_FOLDER, stored, parts):
        changed.append(TRACES_FOLDER)
    return changed


def record_parts(folder: str | Path) -> dict[str, str]:
    """Return a short hash of what a fit takes from the plan, and of the kiln's traces.

    Tiles that are only planned are no part of a fit: a plan that grew leaves it as it was.

    Parameters
    ----------
    folder : str or Path
        The series folder; without a log no firing has a look.
    """
    parts = {PLAN_TABLE: short_hash(_looked_at(Path(folder)))}
    if traces := trace_files(folder):
        read = {load: sha256_of(path) for load, path in sorted(traces.items())}
        parts[TRACES_FOLDER] = short_hash(read)
    return parts


def _looked_at(base: Path) -> list[dict[str | Any, Any]]:
    """Return the planned firings whose tiles have looks."""
    looks = Counter[str]()
    for row in _rows(base / FIRINGS_FILE):
        number = str(row.get("look") or "")
        tile = str(row.get("tile") or "")
        looks[tile] = max(looks[tile], int(number) if number.isdecimal() else 1)
    kept, seen = [], Counter[str]()
    for row in _rows(base / PLAN_TABLE):
        tile = str(row.get("tile") or "")
        seen[tile] += 1
        if seen[tile] <= looks[tile]:
            kept.append(row)
    return kept


def _rows(path: Path) -> list[dict[str | Any, Any]]:
    if not path.is_file():
        return []
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    return list(csv.DictReader(text.splitlines()))
