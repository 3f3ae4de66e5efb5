"""Charts over time for single values: individuals, moving average, step and drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray

_D2 = 1.128
"""Mean range of two normal values, in standard deviations (NIST/SEMATECH e-Handbook
6.3.2.2)."""
LAMBDA = 0.3
"""Weight of the newest value in the moving average (NIST/SEMATECH e-Handbook 6.3.2.4)."""
_SIGMAS = 3.0
"""Half width of the limits in standard deviations (Shewhart's usual three)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControlChart:
    """Values in their order, with centre and limits.

    Attributes
    ----------
    points : ndarray, shape (n,)
        What is held against the limits.
    centre, lower, upper : float
    """

    points: FloatArray
    centre: float
    lower: float
    upper: float

    @property
    def outside(self) -> tuple[int, ...]:
        """Places of the values beyond a limit."""
        beyond = (self.points < self.lower) | (self.points > self.upper)
        return tuple(int(place) for place in np.flatnonzero(beyond))


def individuals_chart(values: ArrayLike) -> ControlChart:
    """Return the individuals chart: limits from the mean moving range.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least two.

    Examples
    --------
    >>> chart = individuals_chart([1.0, 3.0, 2.0])
    >>> chart.centre, round(chart.upper, 3)
    (2.0, 5.989)
    """
    y = np.asarray(values, dtype=float)
    reach = _SIGMAS * float(np.abs(np.diff(y)).mean()) / _D2
    centre = float(y.mean())
    return ControlChart(points=y, centre=centre, lower=centre - reach, upper=centre + reach)


def ewma_chart(
    values: ArrayLike, *, start: float, sd: float, weight: float = LAMBDA
) -> ControlChart:
    """Return the chart of the exponentially weighted moving average.

    Parameters
    ----------
    values : array_like, shape (n,)
    start : float
        What the values should be.
    sd : float
        Of one value.
    weight : float, default 0.3
        Of the newest value.
    """
    y = np.asarray(values, dtype=float)
    kept, average = np.empty_like(y), start
    for place, value in enumerate(y):
        average = weight * value + (1.0 - weight) * average
        kept[place] = average
    reach = _SIGMAS * sd * float(np.sqrt(weight / (2.0 - weight)))
    return ControlChart(points=kept, centre=start, lower=start - reach, upper=start + reach)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What best explains that values do not stay.

    Attributes
    ----------
    kind : {'step', 'drift'}
    place : int
        First value after the step, or of the drift.
    size : float
        Of the step; of a drift from its first value to the last.
    error : float
        Standard error of that.
    """

    kind: str
    place: int
    size: float
    error: float


def explain_change(values: ArrayLike, errors: ArrayLike, times: ArrayLike) -> Change | None:
    """Return the step or the drift that explains values best; None below three.

    A step that at least the last two values are beyond, and a drift from any value but the
    last two on, each fitted by weighted least squares; the one that leaves the smallest
    remainder is named.

    Parameters
    ----------
    values, errors : array_like, shape (n,)
        With their standard errors.
    times : array_like, shape (n,)
        Rising; a drift is even in them.
    """
    y, t = np.asarray(values, dtype=float), np.asarray(times, dtype=float)
    weight = 1.0 / np.asarray(errors, dtype=float) ** 2
    if y.size < 3:
        return None
    order, found = np.arange(y.size), []
    for place in range(1, y.size - 1):
        step = np.where(order >= place, 1.0, 0.0)
        found.append(_fitted("step", place, step, y, weight))
    for place in range(y.size - 2):
        length = t[-1] - t[place]
        if length > 0:
            drift = np.clip((t - t[place]) / length, 0.0, None)
            found.append(_fitted("drift", place, drift, y, weight))
    return min(found, key=lambda one: one[0])[1]


def _fitted(
    kind: str, place: int, shape: FloatArray, y: FloatArray, weight: FloatArray
) -> tuple[float, Change]:
    X = np.column_stack([np.ones(y.size), shape])
    information = X.T @ (weight[:, None] * X)
    covariance = np.linalg.pinv(information)
    beta = covariance @ X.T @ (weight * y)
    rest = float(weight @ (y - X @ beta) ** 2)
    size, error = float(beta[1]), float(np.sqrt(covariance[1, 1]))
    return rest, Change(kind=kind, place=place, size=size, error=error)
