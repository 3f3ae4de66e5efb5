r"""Heat of a tile fired at several temperatures, added up at the model's own rate.

In a model of temperature and ln dwell a second at :math:`T_i` fuses as much as
:math:`\exp\{r (T_i - T)\}` seconds at :math:`T`, with :math:`r = h\,\beta_T /
\beta_d` where the coded temperature has the coefficient :math:`\beta_T` and the
coded ln dwell, of half range :math:`h`, has :math:`\beta_d`. So the firings
behind a look count as the dwell

.. math:: \ln d = \ln \sum_i d_i\, e^{r (T_i - T)}

at its temperature, :math:`d_i` without what warmed the tile up anew. The columns
of a look stand at the dwell that the series' expectation counts
(`firelab.series.heat_counted`); here is what the model's own rate adds to that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import Heat, own_dwell
from firelab.series.terms import (
    DWELL,
    TEMPERATURE,
    coding,
    model_matrix,
    term_columns,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_LEAST_S = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AddedHeat:
    """Looks, m of n, at tiles that were fired before at another temperature.

    Attributes
    ----------
    rows : ndarray of int, shape (m,)
        Which looks.
    ahead : ndarray, shape (m, K)
        Coded temperature of each firing less that of the look.
    log_share : ndarray, shape (m, K)
        ln of each firing's dwell over the dwell that the columns stand at;
        minus infinity where a tile had fewer than K firings.
    slope : ndarray, shape (m, p)
        What the columns change by per coded unit of ln dwell.
    temperature_at, dwell_at : int
        Columns of the two.
    half_range : float
        ln s per coded unit of ln dwell.
    """

    rows: IntArray
    ahead: FloatArray
    log_share: FloatArray
    slope: FloatArray
    temperature_at: int
    dwell_at: int
    half_range: float

    def reordered(self, order: IntArray) -> AddedHeat:
        """Return the same for looks put into an order, shape (n,) of old places."""
        place = np.argsort(order)
        return replace(self, rows=place[self.rows])

    def eta(self, coefficients: FloatArray) -> FloatArray:
        """Return what the rate adds to the latent grade, shape (M, m).

        Parameters
        ----------
        coefficients : ndarray, shape (M, p)
        """
        log_dwell, _ = self._added(coefficients)
        return np.asarray(coefficients @ self.slope.T * log_dwell / self.half_range)

    def by_coefficient(self, coefficients: FloatArray, by_eta: FloatArray) -> FloatArray:
        """Turn slopes by the latent grade, shape (M, m), into (M, p) by coefficient."""
        log_dwell, ahead = self._added(coefficients)
        dwell, rate = coefficients[:, self.dwell_at], self._rate(coefficients)
        worth = coefficients @ self.slope.T
        by = by_eta * log_dwell / self.half_range @ self.slope
        by_rate = (by_eta * worth * ahead).sum(axis=1) / self.half_range
        by[:, self.temperature_at] += by_rate * self.half_range / dwell
        by[:, self.dwell_at] -= by_rate * rate / dwell
        return np.asarray(by)

    def _rate(self, coefficients: FloatArray) -> FloatArray:
        share = coefficients[:, self.temperature_at] / coefficients[:, self.dwell_at]
        return np.asarray(self.half_range * share)

    def _added(self, coefficients: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return ln of the dwell over the columns' own, and its slope by the rate."""
        parts = self.log_share + self._rate(coefficients)[:, None, None] * self.ahead
        # Written out, for it is asked some thousand times for a few numbers.
        most = parts.max(axis=2)
        share = np.exp(parts - most[:, :, None])
        total = share.sum(axis=2)
        return np.log(total) + most, (share * self.ahead).sum(axis=2) / total


def added_heat(
    series: FiringSeries, looks: pd.DataFrame, terms: Sequence[str]
) -> AddedHeat | None:
    """Return the added heat of looks; None where the model has nothing to add up.

    Parameters
    ----------
    series : FiringSeries
        Fixes the coding.
    looks : DataFrame, n rows
        As `Records.graded`: ``before`` and ``own_dwell_s`` are the firings,
        ``dwell_s`` is what they count.
    terms : sequence of str
        The rate is that of temperature and dwell alone; their products, where
        there are any, change the latent grade and not the rate.
    """
    columns = term_columns(series, terms)
    if TEMPERATURE not in columns or DWELL not in columns:
        return None
    degC = looks["temperature_degC"].to_numpy(dtype=float)
    before: list[tuple[Heat, ...]] = looks["before"].tolist()
    rows = np.array(
        [k for k, had in enumerate(before) if any(T != degC[k] for T, _ in had)],
        dtype=np.int64,
    )
    if not rows.size:
        return None
    heat, dwell = coding(series, "temperature"), coding(series, "dwell")
    own = looks["own_dwell_s"].to_numpy(dtype=float)
    counted = looks["dwell_s"].to_numpy(dtype=float)
    ahead = np.zeros((rows.size, 1 + max(len(before[k]) for k in rows)))
    log_share = np.full(ahead.shape, -np.inf)
    for place, k in enumerate(rows):
        last = (degC[k], own_dwell(series.blank, degC[k], own[k]))
        for at, (T, d) in enumerate((*before[k], last)):
            ahead[place, at] = (T - degC[k]) / heat.half_width
            log_share[place, at] = np.log(max(d, _LEAST_S) / counted[k])
    some, step = looks.iloc[rows], np.exp(dwell.half_width)
    longer = some.assign(dwell_s=some["dwell_s"] * step)
    shorter = some.assign(dwell_s=some["dwell_s"] / step)
    difference = model_matrix(series, longer, terms) - model_matrix(series, shorter, terms)
    return AddedHeat(
        rows=rows,
        ahead=ahead,
        log_share=log_share,
        slope=0.5 * difference,
        temperature_at=columns.index(TEMPERATURE),
        dwell_at=columns.index(DWELL),
        half_range=dwell.half_width,
    )


def latent_grades(
    series: FiringSeries,
    coefficients: FloatArray,
    looks: pd.DataFrame,
    terms: Sequence[str],
) -> FloatArray:
    """Return the latent grade of looks in a mean load, shape (M, n).

    Parameters
    ----------
    series : FiringSeries
    coefficients : ndarray, shape (M, p)
    looks : DataFrame, n rows
        As `Records.graded`.
    terms : sequence of str
    """
    X, heat = model_matrix(series, looks, terms), added_heat(series, looks, terms)
    return with_added_heat(coefficients, X, heat)


def with_added_heat(
    coefficients: FloatArray, X: FloatArray, heat: AddedHeat | None
) -> FloatArray:
    """Return the latent grade in a mean load, (M, n), of coded columns and their heat."""
    eta = np.asarray(coefficients @ X.T)
    if heat is not None:
        eta[:, heat.rows] += heat.eta(coefficients)
    return eta
