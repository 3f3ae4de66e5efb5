"""Words on and beside the figures: a plan's figures, model terms, settings by name."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any

from firelab.craft.trade_words import setting_words
from firelab.plan.plan import Plan
from firelab.series.terms import WARM_UP

_NAMES = {"dwell": "ln dwell", "mesh": "log2 grain size"}


def term_words(term: str) -> str:
    """Return a model term in words.

    Examples
    --------
    >>> term_words("dwell"), term_words("temperature:dwell"), term_words("temperature^2")
    ('ln dwell', 'temperature with ln dwell', 'temperature squared')
    """
    if term == WARM_UP:
        return "warming up"
    parts = []
    for part in term.split(":"):
        name, _, power = part.partition("^")
        parts.append(_NAMES.get(name, name) + (" squared" if power == "2" else ""))
    return " with ".join(parts)


def _column_words(column: str) -> str:
    """Return a column of the model by the factors in it, in plain words.

    Examples
    --------
    >>> column_words("base[hard clear]"), column_words("temperature:mesh")
    ('base hard clear', 'temperature with mesh')
    """
    plain = column.replace("[", " ").replace("]", "").replace("^2", " squared")
    return plain.replace(":", " with ")


def power_words(figures: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Return each effect by name with the chance to see the stated shift in it.

    Examples
    --------
    >>> power_words({"power": {"dwell": {"power": 0.98}, "base[white]": {"power": None}}})
    [('dwell', 0.98)]
    """
    return [
        (_column_words(str(name)), float(one["power"]))
        for name, one in figures.get("power", {}).items()
        if one["power"] is not None
    ]


def file_stem(setting: Mapping[str, Any]) -> str:
    """Return a setting as part of a file name: plain letters, digits and dashes.

    Examples
    --------
    >>> file_stem({"mesh": 80, "layers": 2, "base": "hard clear"})
    '80-mesh-2-coats-over-hard-clear'
    """
    kept = [
        c if c.isascii() and c.isalnum() else " " for c in setting_words(setting).lower()
    ]
    return "-".join("".join(kept).split())


def planned_settings(plan: Plan) -> list[dict[str, Any]]:
    """Return each setting that the plan tests, by mesh, coats and base."""
    names = ["mesh", "layers", "base"]
    tested = plan.table.query("role != 'control'")[names]
    rows = tested.drop_duplicates().sort_values(names).to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]


def wrap_words(text: str, width: int) -> str:
    """Break a title into lines of at most `width` characters."""
    return "\n".join(textwrap.wrap(text, width))
