"""Cells of a table that repeat the plan: read, to be held against it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from firelab.craft.trade_words import BARE
from firelab.errors import FirelabError
from firelab.records.look_cells import parse_whole
from firelab.records.planned_firings import PlannedFiring
from firelab.series.firing_series import FiringSeries

_BARE_WORDS = ("bare", "bare metal", "on bare metal", "-")


def parsers(series: FiringSeries) -> dict[str, Callable[[str], Any]]:
    """Return how each column that repeats the plan is read."""
    return {
        "mesh": lambda text: parse_whole(text.lower().removesuffix("mesh").strip()),
        "layers": lambda text: parse_whole(re.sub(r"\s*coats?$", "", text.lower())),
        "order": parse_whole,
        "base": _parse_base,
        "role": str,
        "grain_um": str,
        "colour": lambda text: _parse_colour(text, series),
    }


def planned_cells(
    firing: PlannedFiring | None, setting: Mapping[str, Any]
) -> dict[str, Any]:
    """Return what the plan says of a firing of a tile, by column of a table."""
    if firing is None:
        return dict(setting)
    return {
        **setting,
        "order": firing.order,
        "planned_degC": firing.temperature_degC,
        "planned_s": firing.dwell_s,
    }


def is_same(given: Any, right: Any) -> bool:
    """Tell whether a cell repeats the plan, to the degree or second that is written."""
    if isinstance(given, str):
        return given.casefold() == str(right).casefold()
    return abs(float(given) - float(right)) < 1.0


def _parse_base(text: str) -> str:
    plain = text.strip().removeprefix("over ")
    return BARE if plain.casefold() in _BARE_WORDS else plain


def _parse_colour(text: str, series: FiringSeries) -> str:
    if text.casefold() not in (series.enamel.colour.casefold(), series.name.casefold()):
        raise FirelabError(
            f"{text[:60]!r}, but this series is of {series.enamel.colour!r}",
            hint="is it the table of another series?",
        )
    return text
