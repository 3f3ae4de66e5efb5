"""firelab: plan test tiles of enamel, fire them, and find a window to trust.

Everything the commands do can be done from Python::

    import firelab
    series = firelab.read_series("marsh-green")
    plan = firelab.make_plan(series)
    records = firelab.read_firings("marsh-green")
    fit = firelab.fit_stage(records)
    windows = firelab.firing_windows(fit)
    firelab.charts.window_map(windows).savefig("window.png")

``analyses/first_series`` of the source calls every function once, in order.
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES: dict[str, str] = {
    "design_names": "firelab.series.series_file",
    "start_series": "firelab.series.series_file",
    "start_studio": "firelab.memory.studio",
    "check_studio": "firelab.memory.studio_check",
    "example_text": "firelab.series.example_file",
    "read_series": "firelab.series.series_file",
    "check_folder": "firelab.records.folder_check",
    "make_plan": "firelab.plan.make_plan",
    "read_plan": "firelab.plan.plan_files",
    "write_plan": "firelab.plan.plan_files",
    "PlannedCandidate": "firelab.windows.sequential.foresight",
    "foresee": "firelab.windows.sequential.foresight",
    "make_sheets": "firelab.sheets.sheet_set",
    "read_table": "firelab.records.recording",
    "record_table": "firelab.records.recording",
    "read_firings": "firelab.records.firing_log",
    "fit_stage": "firelab.fits.stage",
    "fit_clarity": "firelab.fits.clarity.clarity",
    "compare_terms": "firelab.fits.questions.terms",
    "fit_observers": "firelab.fits.questions.observers",
    "agree_observers": "firelab.fits.questions.agreement",
    "fit_heat_work": "firelab.fits.questions.heat_work",
    "fit_folder": "firelab.windows.fit_file",
    "write_fit": "firelab.windows.fit_file",
    "firing_windows": "firelab.windows.firing_windows",
    "write_windows": "firelab.windows.fit_file",
    "next_tiles": "firelab.windows.sequential.next_tiles",
    "extend_plan": "firelab.plan.extend",
    "read_sources": "firelab.report.sources",
    "write_report": "firelab.report.page",
    "pack_series": "firelab.studios.bundle.packing",
    "read_bundle": "firelab.studios.bundle.bundle",
    "unpack_bundle": "firelab.studios.bundle.bundle",
    "verify_folder": "firelab.studios.bundle.verification",
    "read_part": "firelab.studios.pooling.part",
    "pool_parts": "firelab.studios.pooling.pooling",
    "refresh_shelf": "firelab.studios.shelf.shelf",
    "ShelfQuestion": "firelab.studios.shelf.question",
    "ask_shelf": "firelab.studios.shelf.question",
    "learn_history": "firelab.memory.learn",
    "write_history": "firelab.memory.history",
    "store_tiles": "firelab.memory.studio_tables",
    "read_board": "firelab.memory.board",
    "write_board": "firelab.report.board_page",
    "start_piece": "firelab.piece.piece_file",
    "plan_piece": "firelab.piece.plan_piece",
    "plan_lot": "firelab.memory.lot",
    "compare_lots": "firelab.memory.lot",
    "watch_kiln": "firelab.memory.kiln_watch",
    "windows_today": "firelab.memory.windows_today",
    "start_demo": "firelab.cli.demo",
}
"""Public name to the module that holds it, in the order of the work; imported when first
asked for."""

__all__ = [*_HOMES, "charts"]


def __getattr__(name: str) -> Any:
    """Import a public function when it is first asked for."""
    if name == "charts":
        return importlib.import_module("firelab.charts")
    if name not in _HOMES:
        raise AttributeError(f"module 'firelab' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """Return the public names, those that were not imported yet among them."""
    return [*__all__]
