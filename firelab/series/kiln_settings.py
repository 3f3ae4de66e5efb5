"""What a kiln can be set to: the nearest temperature and dwell, and the steps between."""

from __future__ import annotations

import math

from firelab.craft.degrees import PER_DEGC, SIGN, kiln_unit_alone
from firelab.craft.units import format_temperature, to_degC, to_degF
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries

TEMPERATURE_DECIMALS = 2
DWELL_DECIMALS = 3
"""Decimals, in degC and s, to which settings are kept: finer than any display."""
_NEAR = 1e-6
"""Share of a step by which a multiple may miss an end of the range by rounding."""
_SHORTEST_STEP_S = 1.0
"""A step of dwell is at least what a clock beside the kiln shows."""
ANY_TEMPERATURE = (-math.inf, math.inf)
"""Ends for a firing that may lie outside the series' range, as preparation does."""


def _nearest_step(value: float, step: float, low: float, high: float) -> float:
    """Return the multiple of `step` nearest to `value` within low to high.

    The ends themselves may be taken where no multiple lies between them.
    """
    lowest = math.ceil(low / step - _NEAR) * step if low > -math.inf else low
    highest = math.floor(high / step + _NEAR) * step if high < math.inf else high
    if lowest > highest:
        return low if abs(value - low) <= abs(value - high) else high
    nearest = round(value / step) * step
    return min(max(nearest, lowest), highest)


def settable_temperature(
    series: FiringSeries, degC: float, ends: tuple[float, float] | None = None
) -> float:
    """Return the nearest temperature that the kiln can be set to, degC.

    Parameters
    ----------
    series : FiringSeries
        Fixes the kiln's unit, its step, and the range to stay in.
    degC : float
        Wanted temperature.
    ends : tuple of (float, float), optional
        The range to stay in, degC; by default the series'.

    Returns
    -------
    float
        In degC to 0.01; a multiple of the kiln's step in the kiln's own unit
        inside the range.
    """
    low, high = ends or series.span("temperature")
    step = series.kiln.step
    if series.kiln.reads == "degC":
        return round(_nearest_step(degC, step, low, high), TEMPERATURE_DECIMALS)
    degF = _nearest_step(to_degF(degC), step, to_degF(low), to_degF(high))
    return round(to_degC(degF), TEMPERATURE_DECIMALS)


def settable_dwell(
    series: FiringSeries, dwell_s: float, ends: tuple[float, float] | None = None
) -> float:
    """Return the nearest dwell worth timing, s, inside the series' range or other ends."""
    low, high = ends or series.span("dwell")
    return round(
        _nearest_step(dwell_s, max(series.kiln.dwell_step, _SHORTEST_STEP_S), low, high),
        DWELL_DECIMALS,
    )


def kiln_step(series: FiringSeries) -> float:
    """Return the smallest change of temperature worth setting, degC."""
    return series.kiln.step / PER_DEGC[series.kiln.reads]


def between_steps(series: FiringSeries) -> str:
    r"""Say which stated temperatures the kiln cannot be set to; empty where there is none.

    They stay as written: only their author knows whether they or the step are meant.

    Examples
    --------
    >>> from firelab.series.series_file import parse_series, design_path
    >>> text = design_path("opaque-window").read_text(encoding="utf-8")
    >>> series, _ = parse_series(text + '\n[kiln]\nreads = "degC"\nstep = 10')
    >>> between_steps(series).partition("; ")[0]
    'kiln: 704 °C, 732 °C, 788 °C, 816 °C are no multiples of its step, 10 °C'
    """
    if series.factors.is_range("temperature"):
        return ""
    reads, step = series.kiln.reads, series.kiln.step
    stated = [float(level) for level in series.factors.levels("temperature")]
    within = min(stated) - step, max(stated) + step
    nearest = [settable_temperature(series, degC, within) for degC in stated]
    off = [
        degC
        for degC, near in zip(stated, nearest, strict=True)
        if not same_temperature(near, degC)
    ]
    if not off:
        return ""
    words = {one: kiln_unit_alone(format_temperature(one, reads)) for one in off + nearest}
    named = ", ".join(words[degC] for degC in off)
    levels = ", ".join(f'"{words[degC]}"' for degC in dict.fromkeys(nearest))
    return (
        f"kiln: {named} {'are no multiples' if len(off) > 1 else 'is no multiple'} of its "
        f"step, {step:g} {SIGN[reads]}; write temperature = [{levels}] under [factors], or "
        "the step that it has, such as step = 1, under [kiln]"
    )
