"""What the kiln takes and what it can be set to: hours, temperatures, dwells."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from firelab.craft.degrees import PER_DEGC, SIGN
from firelab.craft.units import format_temperature, to_degC, to_degF
from firelab.plan.plan import PlannedPreparation
from firelab.series.firing_series import FiringSeries


def kiln_hours(
    series: FiringSeries, tiles: pd.DataFrame, preparation: Sequence[PlannedPreparation]
) -> dict[str, float]:
    """Return hours by purpose, and ``total``.

    Every load takes its longest dwell and the kiln's recovery; every change of
    temperature, and the heating up of a session, takes the budget's ``change``;
    every preparation firing is followed by cooling.

    Parameters
    ----------
    series : FiringSeries
        Its budget holds places, change, recovery and cooling.
    tiles : DataFrame
        Rows of a plan, in firing order.
    preparation : sequence of PlannedPreparation
        Firings before the test.
    """
    budget = series.budget
    seconds: dict[str, float] = {}
    before: float | None = None
    for step in preparation:
        n_loads = step.n_loads(budget.places)
        change = 0.0 if step.temperature_degC == before else budget.change
        spent = n_loads * (step.dwell_s + budget.recovery) + change + budget.cooling
        seconds[step.purpose] = seconds.get(step.purpose, 0.0) + spent
        before = step.temperature_degC
    seconds["test firings"] = firing_seconds(series, tiles)
    hours = {purpose: round(spent / 3600.0, 3) for purpose, spent in seconds.items()}
    return hours | {"total": round(sum(seconds.values()) / 3600.0, 3)}


def firing_seconds(series: FiringSeries, tiles: pd.DataFrame) -> float:
    """Return the seconds that the test firings of a plan take.

    A load that fires a tile of the load before again, in the same session, waits
    for it to cool.
    """
    budget, spent = series.budget, 0.0
    before: tuple[int, float] | None = None
    just_fired: set[str] = set()
    for _, rows in tiles.groupby(["session", "load"], sort=True):
        first = rows.iloc[0]
        here = (int(first["session"]), float(first["temperature_degC"]))
        spent += budget.change if here != before else 0.0
        spent += float(rows["dwell_s"].max()) + budget.recovery
        waits = before is not None and before[0] == here[0]
        spent += budget.cooling if waits and just_fired & set(rows["tile"]) else 0.0
        before, just_fired = here, set(rows["tile"])
    return spent


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
        if abs(near - degC) > _SAME_DEGC
    ]
    if not off:
        return ""
    named = ", ".join(_in_unit(degC, reads) for degC in off)
    levels = ", ".join(f'"{_in_unit(degC, reads)}"' for degC in dict.fromkeys(nearest))
    return (
        f"kiln: {named} {'are no multiples' if len(off) > 1 else 'is no multiple'} of its "
        f"step, {step:g} {SIGN[reads]}; write temperature = [{levels}] under [factors], or "
        "the step that it has, such as step = 1, under [kiln]"
    )


_SAME_DEGC = 0.02
"""Twice what a temperature loses when rounded to `TEMPERATURE_DECIMALS`."""


def _in_unit(degC: float, reads: str) -> str:
    return format_temperature(degC, reads).partition(" (")[0]
