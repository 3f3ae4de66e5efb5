r"""Heat of a tile that was fired before, added up at the model's own rate.

In a model of temperature and ln dwell a second at :math:`T_i` fuses as much as
:math:`\exp\{r (T_i - T)\}` seconds at :math:`T`, with :math:`r = h\,\beta_T /
\beta_d` where the coded temperature has the coefficient :math:`\beta_T` and the
coded ln dwell, of half range :math:`h`, has :math:`\beta_d`. A tile that is taken out
and fired again warms up anew while the kiln recovers from its open door, so each
earlier firing counts for less: :math:`\lambda w_i` seconds are lost, :math:`w_i` the
warming up of the blank and :math:`\lambda` the parameter of `warming_up`. The firings
behind a look count as the dwell

.. math:: \max(d, \lambda w) + \sum_i (d_i - \lambda w_i)^+\, e^{r (T_i - T)}

at its temperature, :math:`d` the look's own. The columns of a look stand at the dwell
that the series' expectation counts (`firelab.series.heat_counted`); here is what the
model's own rate and loss add to that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.fits.ordinal.warming_up import WarmingUp, warming_up
from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import Heat
from firelab.series.terms import (
    DWELL,
    DWELL_SQUARED,
    TEMPERATURE,
    coding,
    model_matrix,
    term_columns,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AddedHeat:
    """Looks, m of n, at tiles that were fired before.

    Attributes
    ----------
    rows : ndarray of int, shape (m,)
        Which looks.
    own : ndarray, shape (m, 2)
        Dwell of the look's own firing, and the warming up at it, s.
    hotter_by : ndarray, shape (m, K)
        Coded temperature of each earlier firing less that of the look.
    dwell, warm_up : ndarray, shape (m, K)
        Of each earlier firing, s; dwell 0 where a tile had fewer than K.
    counted : ndarray, shape (m,)
        The dwell that the columns stand at, s.
    slope : ndarray, shape (m, p)
        What the columns change by per coded unit of ln dwell.
    temperature_at, dwell_at : int
        Columns of the two.
    half_range : float
        ln s per coded unit of ln dwell.
    at_heat : WarmingUp or None
        Where the terms have that of warming up; its column is then left out of `slope`.
    coded : ndarray, shape (m,)
        Coded ln dwell that the columns stand at.
    """

    rows: IntArray
    own: FloatArray
    hotter_by: FloatArray
    dwell: FloatArray
    warm_up: FloatArray
    counted: FloatArray
    slope: FloatArray
    temperature_at: int
    dwell_at: int
    half_range: float
    at_heat: WarmingUp | None
    coded: FloatArray

    def at(self, coefficients: FloatArray, lost: FloatArray) -> AddedAt:
        """Return what rate and loss add at M parameter points.

        Parameters
        ----------
        coefficients : ndarray, shape (M, p)
        lost : ndarray, shape (M,)
            Times the warming up that a firing loses.
        """
        scale = None if self.at_heat is None else self.at_heat.scale(lost)
        half = self.half_range if scale is None else scale.half_width
        share = coefficients[:, self.temperature_at] / coefficients[:, self.dwell_at]
        power = np.exp(np.clip((half * share)[:, None, None] * self.hotter_by, -60.0, 60.0))
        left = self.dwell - lost[:, None, None] * self.warm_up
        earlier = np.maximum(left, 0.0) * power
        own = np.maximum(self.own[:, 0], lost[:, None] * self.own[:, 1])
        total = own + earlier.sum(axis=2)
        by_lost = -(np.where(left > 0.0, self.warm_up, 0.0) * power).sum(axis=2)
        by_lost += np.where(own > self.own[:, 0], self.own[:, 1], 0.0)
        if scale is None:
            step = np.log(total / self.counted) / self.half_range
            per_second = 1.0 / (total * self.half_range)
            by_lost *= per_second
        else:
            bent, per_second, of_scale = scale.coded(total)
            step = bent - self.coded + scale.bend[:, None] * self.coded**2
            of_scale += scale.by_lost[2][:, None] * self.coded**2
            by_lost = by_lost * per_second + of_scale
        return AddedAt(
            heat=self,
            by_dwell=coefficients @ self.slope.T,
            share=share,
            dwell=coefficients[:, self.dwell_at],
            half=half,
            by_half=0.0 if scale is None else scale.by_lost[1],
            step=step,
            by_rate=(earlier * self.hotter_by).sum(axis=2) * per_second,
            by_lost=by_lost,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AddedAt:
    """What m looks at tiles fired before add at M parameter points.

    Attributes
    ----------
    heat : AddedHeat
    by_dwell : ndarray, shape (M, m)
        What the latent grade changes by per coded unit of ln dwell.
    share, dwell : ndarray, shape (M,)
        Coefficient of temperature over that of dwell, and the latter.
    half, by_half : ndarray, shape (M,), or float
        Half a coded range, ln s, of what adds up, and its slope by the loss.
    step, by_rate, by_lost : ndarray, shape (M, m)
        Coded ln dwell over the columns' own, its slope by the rate, and that by the loss at
        the same rate.
    """

    heat: AddedHeat
    by_dwell: FloatArray
    share: FloatArray
    dwell: FloatArray
    half: FloatArray | float
    by_half: FloatArray | float
    step: FloatArray
    by_rate: FloatArray
    by_lost: FloatArray

    @property
    def eta(self) -> FloatArray:
        """What is added to the latent grade, shape (M, m)."""
        return self.by_dwell * self.step

    def by_parameter(self, by_eta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Turn slopes by the latent grade, (M, m), into (M, p) and (M,) by the loss."""
        by_step = by_eta * self.by_dwell
        by = by_eta * self.step @ self.heat.slope
        on_rate = (by_step * self.by_rate).sum(axis=1)
        by[:, self.heat.temperature_at] += on_rate * self.half / self.dwell
        by[:, self.heat.dwell_at] -= on_rate * self.half * self.share / self.dwell
        on_lost = (by_step * self.by_lost).sum(axis=1)
        return np.asarray(by), on_lost + on_rate * self.by_half * self.share


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
    rows = np.array([k for k, had in enumerate(before) if had], dtype=np.int64)
    if not rows.size:
        return None
    heat, dwell = coding(series, "temperature"), coding(series, "dwell")
    warm_up = series.blank.warm_up_s
    own = looks["own_dwell_s"].to_numpy(dtype=float)[rows]
    shape = rows.size, max(len(before[k]) for k in rows)
    hotter_by, earlier, lost = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for place, k in enumerate(rows):
        for at, (T, hot) in enumerate(before[k]):
            hotter_by[place, at] = (T - degC[k]) / heat.half_width
            lost[place, at] = warm_up(T)
            # What is left of a dwell after warming up, put back together.
            earlier[place, at] = hot + warm_up(T)
    fired_on, step = looks.iloc[rows], np.exp(dwell.half_width)
    longer = fired_on.assign(dwell_s=fired_on["dwell_s"] * step)
    shorter = fired_on.assign(dwell_s=fired_on["dwell_s"] / step)
    difference = model_matrix(series, longer, terms) - model_matrix(series, shorter, terms)
    counted = fired_on["dwell_s"].to_numpy(dtype=float)
    at_heat = warming_up(series, terms)
    if at_heat is not None:
        difference[:, columns.index(DWELL_SQUARED)] = 0.0
    return AddedHeat(
        rows=rows,
        own=np.column_stack([own, [warm_up(T) for T in degC[rows]]]),
        hotter_by=hotter_by,
        dwell=earlier,
        warm_up=lost,
        counted=counted,
        slope=0.5 * difference,
        temperature_at=columns.index(TEMPERATURE),
        dwell_at=columns.index(DWELL),
        half_range=dwell.half_width,
        at_heat=at_heat,
        coded=dwell.code(counted),
    )


def latent_grades(
    series: FiringSeries,
    coefficients: FloatArray,
    lost: FloatArray,
    looks: pd.DataFrame,
    terms: Sequence[str],
) -> FloatArray:
    """Return the latent grade of looks without random effects, shape (M, n).

    Parameters
    ----------
    series : FiringSeries
    coefficients : ndarray, shape (M, p)
    lost : ndarray, shape (M,)
    looks : DataFrame, n rows
        As `Records.graded`.
    terms : sequence of str
    """
    X, heat = model_matrix(series, looks, terms), added_heat(series, looks, terms)
    return with_added_heat(coefficients, lost, X, heat)[0]


def with_added_heat(
    coefficients: FloatArray, lost: FloatArray, X: FloatArray, heat: AddedHeat | None
) -> tuple[FloatArray, AddedAt | None]:
    """Return the latent grade, (M, n), of coded columns and their heat, and the latter."""
    eta = np.asarray(coefficients @ X.T)
    if heat is None:
        return eta, None
    added = heat.at(coefficients, lost)
    eta[:, heat.rows] += added.eta
    return eta, added
