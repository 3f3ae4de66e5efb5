r"""A tile's own heat in a kiln whose chamber falls at the door and recovers.

The tile is one lump, heated on both faces by radiation and convection from a chamber
at :math:`S - f e^{-t/\tau}`: it is set to :math:`S`, falls by :math:`f` when the door
opens and comes back with time constant :math:`\tau`. Heat work is the integral of
:math:`\exp\{-(E/R)(1/T - 1/T_0)\}` over the tile's own absolute temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import R as GAS_CONSTANT
from scipy.constants import Stefan_Boltzmann

FloatArray = NDArray[np.float64]

ZERO_K = 273.15
REFERENCE_K = 1023.15
"""Where a second counts one (750 degC); a choice of unit, it changes no result."""
COOLEST_DEGC, HOTTEST_DEGC, DEGC_STEP = 580.0, 960.0, 5.0
LONGEST_S = 420
"""Reach of a table of heat work; 5 degC and 1 s apart, it is read between the points."""


class Work(Protocol):
    """Heat work of one firing: how far the glass comes, on an arbitrary scale."""

    def first(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the work of a first firing."""

    def again(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the work that a further firing adds."""


def speed(tile_K: ArrayLike, activation_kJ_mol: float) -> FloatArray:
    """Return how fast glass fuses, in units of its speed at the reference."""
    ratio = 1e3 * activation_kJ_mol / GAS_CONSTANT
    return np.asarray(np.exp(-ratio * (1.0 / np.asarray(tile_K) - 1.0 / REFERENCE_K)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamber:
    """A tile on its rack in a kiln.

    Attributes
    ----------
    capacity_J_m2K : float
        Heat that the tile holds per K and square metre of heated face.
    emissivity : float
    convection_W_m2K : float
    fall_degC, recovery_s : float
        By how much the chamber falls when the door opens, and the time constant
        with which it comes back.
    room_degC : float
    """

    capacity_J_m2K: float
    emissivity: float = 0.7
    convection_W_m2K: float = 0.0
    fall_degC: float = 0.0
    recovery_s: float = 1.0
    room_degC: float = 22.0

    def tile_temperatures(
        self, degC: ArrayLike, seconds: int, *, step_s: float = 1.0
    ) -> FloatArray:
        """Return the tile's temperature every step, by Runge and Kutta's fourth order.

        Parameters
        ----------
        degC : array_like, shape (n,)
            That the kiln is set to.
        seconds : int
        step_s : float, default 1

        Returns
        -------
        ndarray, shape (seconds / step_s + 1, n)
            K.
        """
        set_K = np.atleast_1d(np.asarray(degC, dtype=float)) + ZERO_K
        steps = round(seconds / step_s)
        tile = np.empty((steps + 1, set_K.size))
        tile[0] = self.room_degC + ZERO_K
        for k in range(steps):
            before, t = tile[k], k * step_s
            a = self._warming(before, set_K, t)
            b = self._warming(before + 0.5 * step_s * a, set_K, t + 0.5 * step_s)
            c = self._warming(before + 0.5 * step_s * b, set_K, t + 0.5 * step_s)
            d = self._warming(before + step_s * c, set_K, t + step_s)
            tile[k + 1] = before + step_s / 6.0 * (a + 2.0 * b + 2.0 * c + d)
        return tile

    def _warming(self, tile_K: FloatArray, set_K: FloatArray, t: float) -> FloatArray:
        around = set_K - self.fall_degC * np.exp(-t / self.recovery_s)
        radiated = self.emissivity * Stefan_Boltzmann * (around**4 - tile_K**4)
        return (radiated + self.convection_W_m2K * (around - tile_K)) / self.capacity_J_m2K


@dataclass(frozen=True, slots=True, eq=False)
class ArrheniusWork:
    """Table of ln heat work by temperature and dwell; every firing starts cold."""

    table: FloatArray

    @classmethod
    def of(cls, chamber: Chamber, activation_kJ_mol: float) -> ArrheniusWork:
        """Integrate the speed of fusing over the tile's own temperature."""
        degC = np.arange(COOLEST_DEGC, HOTTEST_DEGC + 1.0, DEGC_STEP)
        rate = speed(chamber.tile_temperatures(degC, LONGEST_S), activation_kJ_mol)
        work = np.cumsum(0.5 * (rate[1:] + rate[:-1]), axis=0)
        return cls(np.log(work).T.copy())

    def first(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the work, read between the points of the table."""
        last_row, last_column = self.table.shape[0] - 1, self.table.shape[1] - 1
        row = (np.asarray(degC, dtype=float) - COOLEST_DEGC) / DEGC_STEP
        column = np.clip(np.asarray(dwell_s, dtype=float) - 1.0, 0.0, last_column)
        i = np.clip(row.astype(int), 0, last_row - 1)
        j = np.clip(column.astype(int), 0, last_column - 1)
        # Beyond the coolest and hottest row the line goes straight on.
        u, v = row - i, column - j
        low = (1.0 - v) * self.table[i, j] + v * self.table[i, j + 1]
        high = (1.0 - v) * self.table[i + 1, j] + v * self.table[i + 1, j + 1]
        return np.asarray((1.0 - u) * low + u * high)

    def again(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the work that a further firing adds: the tile starts cold."""
        return self.first(degC, dwell_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightWork:
    """ln work that is linear in temperature and ln dwell, as regressions take it.

    Attributes
    ----------
    doubling_degC : float
        Degrees that twice the dwell is worth.
    lost_s : float
        Seconds that a further firing loses while the tile warms up anew.
    """

    doubling_degC: float
    lost_s: float

    def first(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the work of a first firing."""
        degrees = np.log(2.0) * np.asarray(degC, dtype=float) / self.doubling_degC
        return np.asarray(degrees + np.log(np.asarray(dwell_s, dtype=float)))

    def again(self, degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the work that a further firing adds."""
        left = np.maximum(np.asarray(dwell_s, dtype=float) - self.lost_s, 1.0)
        return self.first(degC, left)
