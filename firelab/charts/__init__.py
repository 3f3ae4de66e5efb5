"""One figure per result; each function draws one and returns it.

As in ``firelab.charts.window_map(windows).savefig("window.png")``.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES: dict[str, tuple[str, str]] = {
    "window_map": ("probability_map", "draw_window_map"),
    "edges": ("edge_plot", "draw_edge_plot"),
    "stages": ("stage_curves", "draw_stage_curves"),
    "clearness": ("clarity_plot", "draw_clarity_plot"),
    "plan": ("plan_chart", "draw_plan_chart"),
    "foresight": ("tile_count", "draw_tile_count"),
    "studios": ("studio_consistency", "draw_consistency"),
    "piece": ("piece_chart", "draw_piece"),
    "kiln": ("kiln_chart", "draw_kiln_chart"),
    "save_figure": ("style", "save_figure"),
}
"""Public name to the module of this room and the function that draws."""

__all__ = [*_HOMES]


def __getattr__(name: str) -> Any:
    """Import a figure's function when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'firelab.charts' has no attribute {name!r}")
    module, function = _HOMES[name]
    return getattr(importlib.import_module(f"firelab.charts.{module}"), function)


def __dir__() -> list[str]:
    """Return the figures that can be drawn."""
    return [*_HOMES]
