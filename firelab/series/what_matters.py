"""Which parts of a series a plan, a fit and windows are made from, and which changed."""

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
from firelab.series.folder import FIRINGS_FILE, PLAN_TABLE, SERIES_FILE, stale_sources
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
    >>> from firelab.series.series_file import design_path
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
                parts[key] = _short_hash(one)
    return parts


def _short_hash(value: object) -> str:
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


_NOT_STATED = _short_hash(None)
"""Of a key that a result made before the key existed does not hold."""


def _differs(key: str, stored: Mapping[str, str], parts: Mapping[str, str]) -> bool:
    """Tell whether a part is another than it was, but for a default that is another."""
    then, now = stored.get(key, _NOT_STATED), parts.get(key, _NOT_STATED)
    if key in _FORMER_DEFAULTS and then == _short_hash(_FORMER_DEFAULTS[key]):
        default = getattr(PriorSpecification(), key.removeprefix("priors."))
        return now not in (then, _short_hash(default))
    return then != now


def changed_since(
    folder: str | Path, provenance: Mapping[str, Any], made: str
) -> list[str]:
    """Name what a result was made from that has changed since.

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
    stored = provenance.get("parts")
    if stored:
        now, keys = series_parts(read_series(folder)), MATTERS[made]
        changed = [
            f"{key} of {SERIES_FILE}"
            for key in sorted({*stored, *now})
            if key.startswith(keys) and _differs(key, stored, now)
        ]
    elif series_hash(folder) != provenance["series_hash"]:
        changed = [SERIES_FILE]
    stale = stale_sources(folder, provenance.get("sources", {}))
    if stale == [PLAN_TABLE] and stored and stored.get(LOOKED_AT) == looked_at(folder):
        stale = []
    return changed + stale


LOOKED_AT = f"looked at in {PLAN_TABLE}"
"""Part of a fit: the planned firings whose tiles have looks."""


def looked_at(folder: str | Path) -> str:
    """Return a short hash of the planned firings whose tiles have looks.

    Tiles that are only planned are no part of a fit: a plan that grew leaves it as it was.

    Parameters
    ----------
    folder : str or Path
        Of a series with a plan; without a log no firing has a look.
    """
    base, looks = Path(folder), Counter[str]()
    if (base / FIRINGS_FILE).is_file():
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
    return _short_hash(kept)


def _rows(path: Path) -> list[dict[str | Any, Any]]:
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    return list(csv.DictReader(text.splitlines()))
