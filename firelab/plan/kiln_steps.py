"""Values that a person can set on this kiln and read off a clock."""

from __future__ import annotations

import math

from firelab.craft.units import to_degC, to_degF
from firelab.series.firing_series import FiringSeries

_NEAR = 1e-6


def _nearest_step(value: float, step: float, low: float, high: float) -> float:
    """Return the multiple of `step` nearest to `value` within low to high.

    The ends themselves may be taken where no multiple lies between them.
    """
    lowest = math.ceil(low / step - _NEAR) * step
    highest = math.floor(high / step + _NEAR) * step
    if lowest > highest:
        return low if abs(value - low) <= abs(value - high) else high
    nearest = round(value / step) * step
    return min(max(nearest, lowest), highest)


def settable_temperature(series: FiringSeries, degC: float) -> float:
    """Return the nearest temperature that the kiln can be set to, degC.

    Parameters
    ----------
    series : FiringSeries
        Fixes the kiln's unit, its step, and the range to stay in.
    degC : float
        Wanted temperature.

    Returns
    -------
    float
        In degC to 0.01; a multiple of the kiln's step in the kiln's own unit
        inside the series' range.
    """
    low, high = series.span("temperature")
    step = series.kiln.step
    if series.kiln.reads == "degC":
        return round(_nearest_step(degC, step, low, high), 2)
    degF = _nearest_step(to_degF(degC), step, to_degF(low), to_degF(high))
    return round(to_degC(degF), 2)


def nearest_reading(series: FiringSeries, degC: float) -> float:
    """Return the nearest temperature that the kiln's display has, degC to 0.01.

    Unlike `settable_temperature` not held to the series' range: preparation
    firings may lie outside it.
    """
    step = series.kiln.step
    if series.kiln.reads == "degC":
        return round(round(degC / step) * step, 2)
    return round(to_degC(round(to_degF(degC) / step) * step), 2)


def settable_dwell(series: FiringSeries, dwell_s: float) -> float:
    """Return the nearest dwell worth timing, s, inside the series' range."""
    low, high = series.span("dwell")
    return round(_nearest_step(dwell_s, max(series.kiln.dwell_step, 1.0), low, high), 3)
