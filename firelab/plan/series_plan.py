"""A plan straight from a series, for use from Python."""

from __future__ import annotations

from firelab.plan.make_plan import plan_series
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries


def make_plan(series: FiringSeries, *, seed: int | None = None) -> Plan:
    """Return the plan that a series asks for; see ``plan_series``.

    Parameters
    ----------
    series : FiringSeries
        As read from a folder, or made in Python.
    seed : int, optional
        In place of the seed of the series.
    """
    return plan_series(series, seed=seed)
