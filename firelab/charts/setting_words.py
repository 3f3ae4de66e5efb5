"""A setting in words, as titles and tables name it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from firelab.plan.plan import Plan
from firelab.sheets.tile_words import base_words, layers_words


def name_setting(setting: Mapping[str, Any]) -> str:
    """Return mesh, coats and base as one phrase.

    Examples
    --------
    >>> name_setting({"mesh": 80, "layers": 2, "base": "hard clear"})
    '80 mesh, 2 coats, over hard clear'
    >>> name_setting({"mesh": 150, "layers": 1, "base": "none"})
    '150 mesh, 1 coat, on bare metal'
    """
    coats = layers_words(int(setting["layers"]))
    return f"{int(setting['mesh'])} mesh, {coats}, {base_words(str(setting['base']))}"


def file_stem(setting: Mapping[str, Any]) -> str:
    """Return a setting as part of a file name: plain letters, digits and dashes.

    Examples
    --------
    >>> file_stem({"mesh": 80, "layers": 2, "base": "hard clear"})
    '80-mesh-2-coats-over-hard-clear'
    """
    kept = [
        c if c.isascii() and c.isalnum() else " " for c in name_setting(setting).lower()
    ]
    return "-".join("".join(kept).split())


def planned_settings(plan: Plan) -> list[dict[str, Any]]:
    """Return each setting of mesh, coats and base that the plan tests, in order."""
    tested = plan.table.query("role != 'control'")[["mesh", "layers", "base"]]
    rows = tested.drop_duplicates().to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]
