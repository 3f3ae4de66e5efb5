"""What a plan, a fit and windows are made from, and which of it has changed since."""

from __future__ import annotations

import csv
import hashlib
import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from firelab.series.declared_parts import PriorSpecification
from firelab.series.firing_series import FiringSeries
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

_FIT = (
    "seed",
    "factors.",
    "model.",
    "priors.",
    "blank.metal",
    "blank.thickness",
    "blank.warm_up",
    "responses.stage.grades",
    "responses.transparency",
    "window.level",
)
MATTERS: Mapping[str, tuple[str, ...]] = {
    "plan": (
        *("seed", "factors.", "rules", "model.", "plan.", "blank.", "coat.", "glass."),
        *("preparation.", "kiln."),
    ),
    "fit": _FIT,
    "windows": (*_FIT, "responses.stage.target", "rules", "kiln.", "window."),
}
"""What each is made from, by the beginning of its key in series.toml.

A name, a question, the words of a grade, what is expected, and the budget are not
among them: more powder, blanks or loads leave a plan as good as it was.
"""
_IDLE = ("plan.loads", "plan.shift", "kiln.name", "window.least_gain", "priors.history")
"""Keys that bound, judge or name, but do not make a result another."""

_UNSTATED = ("plan.centre", "priors.learned")
"""Keys that older files do not know: no part of a series that leaves them out."""

_FORMER_DEFAULTS: Mapping[str, object] = {"priors.observer": 6.0}
"""By key: what a series that leaves it out had before. It has not changed itself."""


def series_parts(series: FiringSeries) -> dict[str, str]:
    """Return a short hash of each part of a series that anything is made from.

    Returns
    -------
    dict of str to str
        Key of series.toml, such as ``factors.dwell``, to 12 hex digits of the SHA-256
        of its value in natural units: how it was written does not matter.

    Examples
    --------
    >>> from firelab.series.series_file import design_path, read_series
    >>> parts = series_parts(read_series(design_path("quick-look")))
    >>> "factors.dwell" in parts, "budget.loads" in parts, len(parts["seed"])
    (True, False, 12)
    """
    wanted = tuple({key for keys in MATTERS.values() for key in keys})
    parts = {}
    for name, value in asdict(series).items():
        fields = value if isinstance(value, dict) else {"": value}
        if name == "responses":
            stage = {f"stage.{key}": one for key, one in value["stage"].items()}
            fields = stage | {key: one for key, one in value.items() if key != "stage"}
        for field, one in fields.items():
            key = f"{name}.{field}".rstrip(".")
            idle = key in _IDLE or (key in _UNSTATED and one is None)
            if key.startswith(wanted) and not idle:
                parts[key] = short_hash(one)
    return parts


def short_hash(value: object) -> str:
    """Return 12 hex digits of the SHA-256 of a plain value."""
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


_NOT_STATED = short_hash(None)
"""Of a key that a result made before the key existed does not hold."""


def differs(key: str, stored: Mapping[str, str], parts: Mapping[str, str]) -> bool:
    """Tell whether a part is another than it was, but for a default that is another."""
    then, now = stored.get(key, _NOT_STATED), parts.get(key, _NOT_STATED)
    if key in _FORMER_DEFAULTS and then == short_hash(_FORMER_DEFAULTS[key]):
        default = getattr(PriorSpecification(), key.removeprefix("priors."))
        return now not in (then, short_hash(default))
    return then != now


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
