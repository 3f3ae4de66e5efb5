"""Which parts of a series a plan, a fit and windows are made from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict

from firelab.series.declared_parts import PriorSpecification
from firelab.series.firing_series import FiringSeries

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

_SINCE = {"priors.learned": ("df", "half")}
"""By key: what of its value older results do not know, and the rest of it tells as well."""

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
                known = one
                if key in _SINCE:
                    known = {name: one[name] for name in one if name not in _SINCE[key]}
                parts[key] = short_hash(known)
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
