"""One series.toml that shows every key, made from the declared parts themselves."""

from __future__ import annotations

import dataclasses
import inspect
import json
import re
import textwrap
from typing import Any, Literal, get_args, get_origin, get_type_hints

from pydantic.fields import FieldInfo

from firelab.craft.units import format_duration, to_degF
from firelab.series.factors import (
    DegC,
    DegCApart,
    Dwell,
    Grams,
    Millimetres,
    Seconds,
    Thickness,
)
from firelab.series.firing_series import FiringSeries

HEAD = """\
# Every key of series.toml, with what firelab takes where it is left out. A line that
# begins with "#" and holds a key is off: take the "#" away to use it. A firing needs
# name, [enamel] colour and [factors] temperature and dwell; all else may be left out.
# Cautions: enamel dust, heat, glare and old leaded enamels can hurt; the safety
# data sheet, local codes and qualified practice come first.
"""
_SHOWN: dict[str, Any] = {
    "name": "Marsh green on copper (invented)",
    "question": "Where does marsh green come out full?",
    "enamel.colour": "marsh green (invented)",
    "enamel.maker_code": "M-12",
    "enamel.lot": "7",
    "enamel.jar": "third shelf",
    "kiln.name": "the small kiln",
    "factors.temperature": ["1350 degF", "1400 degF", "1450 degF"],
    "factors.dwell": ["1 min 45 s", "2 min 30 s", "3 min 30 s"],
    "factors.mesh": [80],
    "factors.layers": [1],
    "factors.base": ["none"],
    "rules": [
        {"never": {"temperature": ">= 1450 degF", "dwell": "> 3 min"}, "because": "burnt"}
    ],
    "budget.grams": {"80": "60 g"},
}
"""What stands in the example where a key has no value of its own."""
_OFF: dict[str, Any] = {
    "mark": "AE",
    "blank.warm_up": "35 s",
    "budget.blanks": 20,
    "budget.loads": 12,
    "budget.sessions": 2,
    "budget.session_loads": 6,
    "budget.jar": "100 g",
    "budget.yields": {"80": 0.5},
    "budget.hours": 8,
    "glass.metal_modulus_GPa": 120.0,
    "glass.metal_expansion_per_K": 17e-6,
    "model.interactions": ["temperature:dwell"],
    "plan.tiles": 12,
    "plan.loads": 8,
    "plan.resolution": 4,
    "plan.centre": 3,
    "plan.guard": ["temperature^2"],
    "plan.control.colour": "hard white (invented)",
    "plan.control.temperature": "1400 degF",
    "plan.control.dwell": "2 min",
    "plan.keep": [{"temperature": "1400 degF", "dwell": "2 min 30 s", "mesh": 80}],
    "responses.stage.words": {"full": ["glossy"]},
    "expectation.low_edge": "1340 degF",
    "expectation.high_edge": "1440 degF",
    "expectation.at": "2 min 30 s",
    "window.place": 3,
    "priors.history": "history.json",
    "priors.full_width": "75 degF",
    "priors.full_width_spread": 0.3,
    "priors.middle": "1375 degF",
    "priors.middle_sd": "35 degF",
}
"""Keys that are off unless a person turns them on, with a value to begin from."""
_READ = ("priors.learned",)
"""What no one writes: it is read from another file."""


_RANGES = {
    "factors.temperature": {"low": "1350 degF", "high": "1450 degF"},
    "factors.dwell": {"low": "1 min 45 s", "high": "3 min 30 s"},
}
"""The other way to write a factor."""


def example_text() -> str:
    """Return a series.toml that holds every key, each with what it means.

    Returns
    -------
    str
        Reads as a series; so does each line that is off, turned on.

    Examples
    --------
    >>> [line for line in example_text().splitlines() if line.startswith("colour")]
    ['colour = "marsh green (invented)"']
    """
    return HEAD + "\n".join(_table_lines(FiringSeries, None, "", off=False)) + "\n"


def _table_lines(kind: Any, part: Any, path: str, *, off: bool) -> list[str]:
    """Return the lines of one table: its plain keys first, then the tables in it.

    `part` is the table as it is where nothing is stated; None where it is off.
    """
    words = _documented(kind)
    hints = get_type_hints(kind, include_extras=True)
    lines: list[str] = []
    tables: list[str] = []
    for field in dataclasses.fields(kind):
        key = f"{path}.{field.name}".lstrip(".")
        value = _stated(field) if part is None else getattr(part, field.name)
        if key in _READ:
            continue
        inner = _table_of(hints[field.name])
        if inner is None or key in _SHOWN or key in _OFF:
            choices = _choices(hints[field.name])
            lines += [f"# {line}" for line in [*words.get(field.name, ()), *choices]]
            written = _as_written(value, hints[field.name])
            lines += _key_lines(field.name, written, key, off=off)
            continue
        inner_off = off or value is None
        tables += ["", *_first_line(inner), f"{'#' * inner_off}[{key}]"]
        inner_part = None if value is dataclasses.MISSING else value
        tables += _table_lines(inner, inner_part, key, off=inner_off)
    return [*lines, *tables]


def _stated(field: Any) -> Any:
    """Return what a field has where nothing is stated; `MISSING` where it must be."""
    default = field.default
    if isinstance(default, FieldInfo):
        return default.get_default(call_default_factory=True, validated_data={})
    return default


def _key_lines(name: str, written: Any, key: str, *, off: bool) -> list[str]:
    off = off or key in _OFF
    value = _SHOWN.get(key, _OFF.get(key, written))
    lines = [f"{'#' * off}{name} = {_toml(value)}"]
    if key in _RANGES:
        lines.append(f"# or any between two ends: {name} = {_toml(_RANGES[key])}")
    return lines


def _table_of(kind: Any) -> Any:
    """Return the declared part that a field holds, optional or not; else None."""
    for one in (kind, *get_args(kind)):
        known = isinstance(one, type) and dataclasses.is_dataclass(one)
        if known and get_origin(kind) is not tuple:
            return one
    return None


def _choices(kind: Any) -> list[str]:
    """Return the words that a field takes, where they are but a few."""
    for one in (kind, *get_args(kind)):
        if get_origin(one) is Literal and len(get_args(one)) > 1:
            return [f"One of: {', '.join(str(word) for word in get_args(one))}."]
    return []


def _first_line(kind: Any) -> list[str]:
    return [f"# {_plain((inspect.getdoc(kind) or '').partition(chr(10))[0])}"]


def _plain(text: str) -> str:
    """Return a docstring's words as the file says them: no stored units, no None."""
    text = re.sub(r",? degC(?: apart)?(?=[,.;])| \((?:degC|s)\)|, s(?=\.)|`", "", text)
    return re.sub(r"\bNone where\b", "left out where", text)


_ENTRY = re.compile(r"(?m)^(\w[\w, ]*) : .*\n((?:    .*\n?)*)")


def _documented(kind: Any) -> dict[str, list[str]]:
    """Return what the docstring says of each key, wrapped; a shared entry stands once."""
    _, _, entries = (inspect.getdoc(kind) or "").partition("Attributes\n----------\n")
    found: dict[str, list[str]] = {}
    for names, text in _ENTRY.findall(entries):
        words = _plain(" ".join(text.split()))
        several = f"{names}: " if "," in names else ""
        first = names.partition(",")[0]
        found[first] = textwrap.wrap(f"{several}{words}", 84) if words else []
    return found


_UNITS: tuple[tuple[Any, Any], ...] = (
    (DegC, lambda value: f"{to_degF(value):g} degF"),
    (DegCApart, lambda value: f"{value * 1.8:g} degF"),
    (Dwell, format_duration),
    (Seconds, format_duration),
    (Millimetres, lambda value: f"{value:g} mm"),
    (Thickness, lambda value: f"{value:g} mm"),
    (Grams, lambda value: f"{value:g} g"),
)
"""Type of a field to how a person writes its value."""


def _as_written(value: Any, kind: Any) -> Any:
    marks = getattr(kind, "__metadata__", ())
    for unit, write in _UNITS:
        if unit.__metadata__[0] in marks and isinstance(value, float):
            return write(value)
    return list(value) if isinstance(value, tuple) else value


def _toml(value: Any) -> str:
    """Write a value as TOML, on one line."""
    if isinstance(value, dict):
        inside = ", ".join(f"{key} = {_toml(one)}" for key, one in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list):
        return f"[{', '.join(_toml(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False)
