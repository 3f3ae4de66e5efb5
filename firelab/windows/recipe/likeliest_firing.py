"""The firing to choose now: where a future tile is likeliest as wanted.

Unlike a recipe it promises nothing but its odds, so it is always there, and it may
lie beyond what was fired as long as it is inside the range of the series.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from firelab.windows.edges.fired_range import FiredRange
from firelab.windows.edges.target_at_setting import TargetAtSetting
from firelab.windows.recipe.candidate_firings import (
    candidate_dwells,
    candidate_temperatures,
)
from firelab.windows.recipe.firing_odds import FiringOdds
from firelab.windows.setting_window import LikeliestFiring

_FINE = 61
"""Temperatures that are compared (chosen here, no source): a step of the dial of 5 degF
where the range is 300."""


def likeliest_firing(
    target: TargetAtSetting, odds: FiringOdds | None = None
) -> LikeliestFiring | None:
    """Return the likeliest firing at a setting; None where rules forbid every one.

    Parameters
    ----------
    target : TargetAtSetting
        Its series fixes the range and what the kiln can be set to.
    odds : FiringOdds, optional
        Of the same fit, where they are known: the answer is then theirs.
    """
    if odds is not None:
        return _of_odds(target, odds)
    series, fired = target.series, target.fired
    (coolest, hottest), (shortest, longest) = (
        series.span("temperature"),
        series.span("dwell"),
    )
    whole = FiredRange(
        coolest_degC=min(coolest, fired.coolest_degC),
        hottest_degC=max(hottest, fired.hottest_degC),
        shortest_s=min(shortest, fired.shortest_s),
        longest_s=max(longest, fired.longest_s),
    )
    degC, seconds = candidate_temperatures(series, _FINE), candidate_dwells(series)
    T, d = (axis.ravel() for axis in np.meshgrid(degC, seconds))
    allowed = target.allowed(T, d)
    if not allowed.any():
        return None
    T, d = T[allowed], d[allowed]
    mean = replace(target, fired=whole, table=None).mean_probability(T, d)
    best = int(np.argmax(mean))
    return LikeliestFiring(
        temperature_degC=float(T[best]),
        dwell_s=float(d[best]),
        probability=float(mean[best]),
        beyond=_beyond(fired, float(T[best]), float(d[best])),
    )


def _of_odds(target: TargetAtSetting, odds: FiringOdds) -> LikeliestFiring | None:
    rows = np.flatnonzero(
        np.logical_and.reduce(
            [(odds.table[name] == level) for name, level in target.setting.items()]
        )
    )
    if not len(rows):
        return None
    best = odds.best(rows)
    degC, seconds = (float(odds.table[one].iloc[best]) for one in _FIRING)
    return LikeliestFiring(
        temperature_degC=degC,
        dwell_s=seconds,
        probability=float(odds.now[best]),
        beyond=_beyond(target.fired, degC, seconds),
    )


_FIRING = ("temperature_degC", "dwell_s")


def _beyond(fired: FiredRange, degC: float, seconds: float) -> str:
    sides = []
    if not fired.holds_temperature(degC):
        sides.append("hotter" if degC > fired.hottest_degC else "cooler")
    if not fired.holds_dwell(seconds):
        sides.append("longer" if seconds > fired.longest_s else "shorter")
    return " and ".join(sides)
