"""What a report is made of: the series and all that was learned from it so far."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.windows.window import FiringWindows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportSources:
    """The values that a report tells of; what is not there yet is None.

    Attributes
    ----------
    series : FiringSeries
    plan : Plan or None
    records : Records or None
    fit : StageFit or None
    clarity : ClarityFit or None
    windows : FiringWindows or None
    stale : tuple of str
        One line per derived file that is older than what it came from.
    """

    series: FiringSeries
    plan: Plan | None = None
    records: Records | None = None
    fit: Any = None
    clarity: Any = None
    windows: FiringWindows | None = None
    stale: tuple[str, ...] = ()
