"""firelab: plan test tiles of enamel, fire them, and find a window to trust.

Everything the commands do can be done from Python::

    import firelab
    series = firelab.read_series("marsh-green")
    plan = firelab.make_plan(series)
    records = firelab.read_firings("marsh-green")
    fit = firelab.fit_stage(records)
    windows = firelab.firing_windows(fit)
"""

from __future__ import annotations

import importlib
from typing import Any

_HOMES: dict[str, str] = {
    "read_series": "firelab.series.series_file",
    "make_plan": "firelab.plan.make_plan",
    "read_plan": "firelab.plan.plan_files",
    "read_firings": "firelab.records.firing_log",
    "fit_stage": "firelab.fits.stage",
    "fit_clarity": "firelab.fits.clarity.clarity",
    "firing_windows": "firelab.windows.firing_windows",
    "next_tiles": "firelab.windows.sequential.next_tiles",
}
"""Public name to the module that holds it; imported when first asked for."""

__all__ = [  # noqa: RUF022 - in the order of the work
    "read_series",
    "make_plan",
    "read_plan",
    "read_firings",
    "fit_stage",
    "fit_clarity",
    "firing_windows",
    "next_tiles",
]


def __getattr__(name: str) -> Any:
    """Import a public function when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'firelab' has no attribute {name!r}")
    return getattr(importlib.import_module(_HOMES[name]), name)
