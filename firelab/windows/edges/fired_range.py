"""What was fired: the range inside which a window may speak, as a grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.craft.materials import grain_um
from firelab.records.records import at_one_temperature
from firelab.series.factors import SAME_DEGC
from firelab.series.firing_series import FiringSeries

MAP_POINTS = 31
"""Points of the map along each axis; equal, so that a cell is square when coded."""
_SAME_S = 0.05
"""Below it two dwells are one: a log holds tenths (chosen here, no source)."""
_RANGE_DWELLS = 3
_RANGE_TEMPERATURES = 5
"""Where edges are given when the series declares a range and no levels: both ends and
what lies evenly between (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FiredRange:
    """Temperatures and total dwells that were fired."""

    coolest_degC: float
    hottest_degC: float
    shortest_s: float
    longest_s: float

    @property
    def varies_temperature(self) -> bool:
        """Whether more than one temperature was fired."""
        return self.hottest_degC - self.coolest_degC > SAME_DEGC

    @property
    def varies_dwell(self) -> bool:
        """Whether more than one dwell was fired."""
        return self.longest_s - self.shortest_s > _SAME_S

    @property
    def temperatures(self) -> FloatArray:
        """Grid of temperatures, degC; one where only one was fired."""
        count = MAP_POINTS if self.varies_temperature else 1
        return np.linspace(self.coolest_degC, self.hottest_degC, count)

    @property
    def dwells(self) -> FloatArray:
        """Grid of dwells, s, even in ln s; one where only one was fired."""
        count = MAP_POINTS if self.varies_dwell else 1
        return np.geomspace(self.shortest_s, self.longest_s, count)

    def grid(self, every_degC: int = 1, every_s: int = 1) -> tuple[FloatArray, FloatArray]:
        """Return temperature and dwell of the map's points, or of every so many of them."""
        axes = self.temperatures[::every_degC], self.dwells[::every_s]
        degC, seconds = (axis.ravel() for axis in np.meshgrid(*axes))
        return degC, seconds

    def holds_temperature(self, degC: float) -> bool:
        """Tell whether a temperature was inside what was fired."""
        return self.coolest_degC - SAME_DEGC <= degC <= self.hottest_degC + SAME_DEGC

    def holds_dwell(self, seconds: float) -> bool:
        """Tell whether a dwell was inside what was fired."""
        return self.shortest_s - _SAME_S <= seconds <= self.longest_s + _SAME_S


def fired_range(graded: pd.DataFrame) -> FiredRange:
    """Return the range that graded looks cover, total dwell.

    Of a tile that was fired at several temperatures the dwell is no dwell that was
    fired at one; it counts where there is no other.
    """
    dwells = fired_dwells(graded)
    return FiredRange(
        coolest_degC=float(graded["temperature_degC"].min()),
        hottest_degC=float(graded["temperature_degC"].max()),
        shortest_s=min(dwells),
        longest_s=max(dwells),
    )


def fired_dwells(graded: pd.DataFrame) -> list[float]:
    """Return the total dwells that were fired at one temperature, s, each once."""
    plain = at_one_temperature(graded)
    return [float(d) for d in (plain if len(plain) else graded)["dwell_s"].unique()]


def settings_at(
    setting: Mapping[str, Any], temperature_degC: ArrayLike, dwell_s: ArrayLike
) -> pd.DataFrame:
    """Return rows of settings: one mesh, layers and base, n firings.

    Parameters
    ----------
    setting : mapping
        ``mesh``, ``layers``, ``base``.
    temperature_degC, dwell_s : array_like, shape (n,)
    """
    return pd.DataFrame(
        {
            "temperature_degC": np.asarray(temperature_degC, dtype=float),
            "dwell_s": np.asarray(dwell_s, dtype=float),
            "mesh": int(setting["mesh"]),
            "grain_um": grain_um(int(setting["mesh"])),
            "layers": int(setting["layers"]),
            "base": str(setting["base"]),
        }
    )


def declared_dwells(series: FiringSeries, ends_s: tuple[float, float]) -> tuple[float, ...]:
    """Return a series' dwells, or three between two ends where it declares a range, s."""
    if series.factors.is_range("dwell"):
        return tuple(np.geomspace(*ends_s, _RANGE_DWELLS).tolist())
    return tuple(sorted(float(level) for level in series.factors.levels("dwell")))


def edge_dwells(series: FiringSeries, fired: FiredRange) -> tuple[float, ...]:
    """Return the fired dwells at which edges are given, shortest first, s."""
    declared = declared_dwells(series, (fired.shortest_s, fired.longest_s))
    return tuple(s for s in declared if fired.holds_dwell(s)) or (fired.shortest_s,)


def edge_temperatures(series: FiringSeries, fired: FiredRange) -> tuple[float, ...]:
    """Return the temperatures at which dwell edges are given, coolest first, degC."""
    levels = sorted(float(level) for level in series.factors.levels("temperature"))
    if series.factors.is_range("temperature"):
        ends = fired.coolest_degC, fired.hottest_degC
        levels = np.linspace(*ends, _RANGE_TEMPERATURES).tolist()
    return tuple(T for T in levels if fired.holds_temperature(T)) or (fired.coolest_degC,)
