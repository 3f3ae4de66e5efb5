r"""What warming up takes off every dwell, the first firing's too.

A tile of dwell :math:`d` has fused for :math:`h(d) = d - L`, :math:`L` the seconds until
it is warm. Against ln dwell, ln of the time at heat is bent: short dwells lose most. Over
the dwells of a series, coded -1 to +1, it is :math:`v - \kappa v^2` up to a constant and a
factor, exactly so at both ends and in the middle; :math:`\kappa` follows from :math:`L`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import DWELL, TEMPERATURE, WARM_UP, term_columns

_LEAST_SHARE = 0.25
"""Share of a dwell that is time at heat at least (chosen here, no source): a tile that
was hardly warm has fused a little all the same."""
_MOST_BEND = 0.3
"""Largest bend, far enough from a half, at which the longest dwell would fuse no further
(chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmingUp:
    r"""The time at heat of a series' dwells.

    Attributes
    ----------
    lost_s : float
        L, of a firing at mid-range of temperature.
    middle, half_width : float
        ln of the time at heat at the middle dwell, and half its range, ln s.
    bend : float
        :math:`\kappa`.
    """

    lost_s: float
    middle: float
    half_width: float
    bend: float

    def coded(self, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the time at heat as a coded ln dwell, bent as it is."""
        return (np.log(self._at_heat(dwell_s)) - self.middle) / self.half_width

    def slope(self, dwell_s: ArrayLike) -> FloatArray:
        """Return what `coded` rises by per second."""
        dwell = np.asarray(dwell_s, dtype=float)
        left = self._at_heat(dwell)
        steep = np.where(left > _LEAST_SHARE * dwell, 1.0, _LEAST_SHARE)
        return np.asarray(steep / left / self.half_width)

    def _at_heat(self, dwell_s: ArrayLike) -> FloatArray:
        dwell = np.asarray(dwell_s, dtype=float)
        return np.maximum(dwell - self.lost_s, _LEAST_SHARE * dwell)


def warming_up(series: FiringSeries) -> WarmingUp | None:
    """Return the time at heat of a series' dwells; None where it bends nothing."""
    short, long = series.span("dwell")
    if not long > short:
        return None
    degC = sum(series.span("temperature")) / 2.0
    lost = series.priors.lost * series.blank.warm_up_s(degC)
    dwells = np.array([short, np.sqrt(short * long), long])
    low, middle, high = np.log(np.maximum(dwells - lost, _LEAST_SHARE * dwells))
    half = (high - low) / 2.0
    bend = min((middle - (high + low) / 2.0) / half, _MOST_BEND)
    if not bend > 0.0:
        return None
    return WarmingUp(
        lost_s=lost, middle=float(middle), half_width=float(half), bend=float(bend)
    )


def with_warm_up(series: FiringSeries, terms: Sequence[str]) -> tuple[str, ...]:
    """Return terms with that of warming up behind them, where it counts.

    Not where the terms have the square of dwell, which is free to be anything.
    """
    columns = {column.powers for column in term_columns(series, terms)}
    plain = {DWELL.powers, TEMPERATURE.powers} <= columns
    squared = (("dwell", 2),) in columns
    if squared or not plain or warming_up(series) is None:
        return tuple(terms)
    return (*terms, WARM_UP)


def without_warm_up(terms: Sequence[str]) -> tuple[str, ...]:
    """Return terms without that of warming up."""
    return tuple(term for term in terms if term != WARM_UP)


def warm_up_bend(series: FiringSeries, terms: Sequence[str]) -> float | None:
    """Return the bend of the time at heat, where the terms have that of warming up."""
    heat = warming_up(series) if WARM_UP in terms else None
    return heat.bend if heat else None
