"""The target over the fired range: how probable, and how sure that is."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firelab.windows.setting_surface import monomials
from firelab.windows.target_at_setting import TargetAtSetting
from firelab.windows.target_span import inner_probability
from firelab.windows.window import ProbabilityMap

FloatArray = NDArray[np.float64]

_TABLE = 97
_MAP_DRAWS = 500


def map_target(target: TargetAtSetting) -> ProbabilityMap:
    """Return the target's probability and assurance over the fired range."""
    temperatures, dwells = target.fired.temperatures, target.fired.dwells
    grid_T, grid_d = (axis.ravel() for axis in np.meshgrid(temperatures, dwells))
    columns = monomials(*target.plane.coded(grid_T, grid_d))
    eta = target.draws.linear(columns)
    if target.clarity is None:
        enough = (eta >= target.span.low[:, None]) & (eta <= target.span.high[:, None])
        assurance = enough.mean(axis=0)
        few = slice(None, None, max(1, len(eta) // _MAP_DRAWS))
        probability = _stage_probability(target, eta[few], few).mean(axis=0)
    else:
        pi = _stage_probability(target, eta, slice(None)) * _clear(target, columns)
        assurance = (pi >= target.series.window.probability).mean(axis=0)
        probability = pi.mean(axis=0)
    shape = (dwells.size, temperatures.size)
    return ProbabilityMap(
        temperature_degC=temperatures,
        dwell_s=dwells,
        probability=probability.reshape(shape),
        assurance=assurance.reshape(shape),
    )


def _clear(target: TargetAtSetting, columns: FloatArray) -> FloatArray:
    scale = target.series.responses.transparency
    if target.clarity is None or scale is None:
        return np.ones((target.draws.n_draws, len(columns)))
    return target.clarity.probability_clear(
        columns, scale.target, scale.sign, scale.step / 2
    )


def _stage_probability(
    target: TargetAtSetting, eta: FloatArray, which: slice
) -> FloatArray:
    """Return P(stage in target) of some draws, by a table over each one's range."""
    draws = target.draws.some(which)
    first, last = target.series.responses.stage.target_span
    low, high = eta.min(axis=1, keepdims=True), eta.max(axis=1, keepdims=True)
    step = np.maximum(high - low, 1e-9) / (_TABLE - 1)
    table = inner_probability(draws, first, last, low + step * np.arange(_TABLE))
    place = np.clip((eta - low) / step, 0.0, _TABLE - 1.0001)
    cell = place.astype(np.int64)
    left = np.take_along_axis(table, cell, axis=1)
    right = np.take_along_axis(table, cell + 1, axis=1)
    return np.asarray(left + (place - cell) * (right - left))
