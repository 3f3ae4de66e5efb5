"""Roots of many falling slopes at once: the modes of loads and tiles."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Kept = TypeVar("Kept")

_LONGEST_STEP = 3.0
_LEAST_BEND = 0.1


class SearchLimits(NamedTuple):
    """When a search ends.

    Attributes
    ----------
    tolerance : float
        Of the last step, in standard deviations of an effect.
    iterations : int
    """

    tolerance: float
    iterations: int


def find_modes(
    at: Callable[[FloatArray], tuple[FloatArray, FloatArray, Kept]],
    start: FloatArray,
    limits: SearchLimits,
) -> tuple[FloatArray, Kept]:
    """Return where each slope is nothing, and what was kept there.

    Newton's method, each entry by itself; a step after which the slope is
    steeper is halved. For log-concave densities that cannot fail.

    Parameters
    ----------
    at : callable
        Returns slope, its (negative) derivative, and what to keep.
    start : ndarray, any shape
    limits : SearchLimits
    """
    mode = start
    slope, bend, kept = at(mode)
    step = _newton(slope, bend)
    for _ in range(limits.iterations):
        if not np.max(np.abs(step)) > limits.tolerance:
            break
        trial = mode + step
        ahead, bend, kept = at(trial)
        nearer = np.abs(ahead) <= np.abs(slope) + 1e-13
        if nearer.all():
            mode, slope, step = trial, ahead, _newton(ahead, bend)
            continue
        mode = np.where(nearer, trial, mode)
        step = np.where(nearer, _newton(ahead, bend), 0.5 * step)
        slope = np.where(nearer, ahead, slope)
    return mode, kept


def _newton(slope: FloatArray, bend: FloatArray) -> FloatArray:
    step = -slope / np.minimum(bend, -_LEAST_BEND)
    return np.asarray(np.clip(step, -_LONGEST_STEP, _LONGEST_STEP))
