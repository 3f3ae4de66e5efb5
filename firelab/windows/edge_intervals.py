"""Edges with their intervals, held to what was fired."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firelab.windows.edge_draws import dwell_edges, interval_of, temperature_edges
from firelab.windows.target_at_setting import TargetAtSetting
from firelab.windows.window import DwellEdges, EdgeInterval, Edges

FloatArray = NDArray[np.float64]

_NO_LOW = EdgeInterval(
    estimate=None,
    lower=None,
    upper=None,
    reason="no low edge: the target is the lowest grade",
)
_NO_HIGH = EdgeInterval(
    estimate=None,
    lower=None,
    upper=None,
    reason="no high edge: the target is the last grade",
)


def _no_edge(latent: FloatArray) -> EdgeInterval | None:
    """Return why a target has no such edge at all; None where it has one."""
    if np.isneginf(latent).all():
        return _NO_LOW
    return _NO_HIGH if np.isposinf(latent).all() else None


def edges_at(target: TargetAtSetting, dwell_s: float) -> Edges:
    """Return low and high edge at one dwell, degC with their intervals."""
    fired, level = target.fired, target.series.window.level
    ends = fired.coolest_degC, fired.hottest_degC
    sides = "below the fired range", "above the fired range"
    low, high = (
        _no_edge(latent)
        or hold(temperature_edges(target, dwell_s, latent), level, ends, sides)
        for latent in (target.span.low_edge, target.span.high_edge)
    )
    return Edges(dwell_s=dwell_s, low_degC=low, high_degC=high)


def dwells_at(target: TargetAtSetting, temperature_degC: float) -> DwellEdges:
    """Return shortest and longest dwell at one temperature, s with their intervals."""
    fired, level = target.fired, target.series.window.level
    ends = fired.shortest_s, fired.longest_s
    sides = "shorter than was fired", "longer than was fired"
    low, high = (
        _no_edge(latent)
        or hold(dwell_edges(target, temperature_degC, latent), level, ends, sides)
        for latent in (target.span.low_edge, target.span.high_edge)
    )
    return DwellEdges(temperature_degC=temperature_degC, low_s=low, high_s=high)


def hold(
    edges: FloatArray, level: float, ends: tuple[float, float], sides: tuple[str, str]
) -> EdgeInterval:
    """Summarise edge draws, held to what was fired.

    Parameters
    ----------
    edges : ndarray, shape (S,)
        Infinite values are allowed.
    level : float
        Of the interval.
    ends : tuple of (float, float)
        Lowest and highest value fired.
    sides : tuple of (str, str)
        Words for what lies below and above them.

    Examples
    --------
    >>> edges = np.linspace(690.0, 720.0, 101)
    >>> hold(edges, 0.9, (700.0, 800.0), ("below", "above"))
    EdgeInterval(estimate=705.0, lower=None, upper=718.5, reason='lower end below')
    """
    lower, estimate, upper = interval_of(edges, level)
    inside = [ends[0] <= value <= ends[1] for value in (lower, estimate, upper)]
    reason = None
    if not inside[1]:
        reason = sides[0] if estimate < ends[0] else sides[1]
    elif not all(inside):
        told = [f"lower end {sides[0]}"] * (not inside[0])
        told += [f"upper end {sides[1]}"] * (not inside[2])
        reason = ", ".join(told)
    return EdgeInterval(
        estimate=estimate if inside[1] else None,
        lower=lower if inside[0] else None,
        upper=upper if inside[2] else None,
        reason=reason,
    )
