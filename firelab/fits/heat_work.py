r"""Heat work: how far a tile has come, whatever the kiln's thermometer said.

Viscous fusing speeds up with the tile's own absolute temperature as
:math:`\exp(-E/RT)`. Its progress over all firings of a tile is

.. math:: w = \ln \int \exp\Bigl\{-\frac{E}{R}
   \Bigl(\frac{1}{T(t)} - \frac{1}{T_0}\Bigr)\Bigr\}\,dt ,

the logarithm of the seconds at :math:`T_0` that would have done as much. One
number then stands for temperature and dwell, and several looks at a tile,
thicknesses and kilns share one scale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from firelab.craft.heating import EMISSIVITY, ZERO_DEGC_K
from firelab.errors import FirelabError
from firelab.fits.heat_work_tile import (
    STEPS,
    KilnDrop,
    TileBody,
    tile_body,
    tile_course,
)
from firelab.records.records import Records
from firelab.records.trace_file import KilnTrace

FloatArray = NDArray[np.float64]

GAS_CONSTANT = 8.314462618
"""J per mol and K (CODATA 2018)."""


def fusing_speed(
    tile_degC: ArrayLike, activation_kJ_mol: float, reference_degC: float
) -> FloatArray:
    """Return the speed of fusing against that at a reference temperature.

    Examples
    --------
    >>> speeds = [fusing_speed(805.0, energy, 795.0) for energy in (200, 300, 400)]
    >>> [round(float(speed), 2) for speed in speeds]
    [1.23, 1.37, 1.52]
    """
    kelvin = np.asarray(tile_degC, dtype=float) + ZERO_DEGC_K
    inverse = 1.0 / kelvin - 1.0 / (reference_degC + ZERO_DEGC_K)
    return np.asarray(np.exp(-activation_kJ_mol * 1e3 / GAS_CONSTANT * inverse))


def heat_integral(
    tile_degC: ArrayLike,
    duration_s: ArrayLike,
    activation_kJ_mol: float,
    reference_degC: float,
) -> FloatArray:
    """Return the seconds at a reference temperature that do as much, shape (n,).

    Simpson's rule over the tile's course.

    Parameters
    ----------
    tile_degC : array_like, shape (n, m + 1)
        The tile at even times; m even.
    duration_s : array_like, shape (n,)
    activation_kJ_mol : float
    reference_degC : float
    """
    speed = fusing_speed(tile_degC, activation_kJ_mol, reference_degC)
    m = speed.shape[1] - 1
    if m % 2:
        raise FirelabError(f"Simpson's rule needs an even number of steps, not {m}")
    weights = np.full(m + 1, 2.0)
    weights[1::2] = 4.0
    weights[[0, -1]] = 1.0
    return np.asarray(speed @ weights * np.asarray(duration_s) / (3.0 * m))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatCourses:
    """The tile's own temperature in every firing behind some graded looks.

    Attributes
    ----------
    tile_degC : ndarray, shape (f, m + 1)
        Course of each of f firings.
    duration_s : ndarray, shape (f,)
    counts : ndarray of bool, shape (n, f)
        Which firings stand behind each of n looks.
    reference_degC : float
        Temperature at which a second of heat work is a second.
    """

    tile_degC: FloatArray
    duration_s: FloatArray
    counts: NDArray[np.bool_]
    reference_degC: float

    def progress(self, activation_kJ_mol: float) -> FloatArray:
        """Return ln of the heat work behind each look, shape (n,)."""
        seconds = heat_integral(
            self.tile_degC, self.duration_s, activation_kJ_mol, self.reference_degC
        )
        return np.asarray(np.log(np.maximum(self.counts @ seconds, 1e-300)))


def heat_courses(
    records: Records,
    *,
    drop: KilnDrop | None = None,
    traces: Mapping[int, KilnTrace] | None = None,
    body: TileBody | None = None,
) -> HeatCourses:
    """Return the courses behind the graded looks of a series, in their order.

    Parameters
    ----------
    records : Records
    drop : KilnDrop, optional
        How the kiln falls at the door; by default not at all.
    traces : mapping of int to KilnTrace, optional
        What a kiln was read at, by load, from closing the door on; a load
        without one is held at its temperature.
    body : TileBody, optional
        By default that of the series' blank.
    """
    firings = (
        records.looks.drop_duplicates(["tile", "look"])
        .sort_values(["tile", "look"])
        .reset_index(drop=True)
    )
    duration = firings["dwell_s"].to_numpy(dtype=float)
    kiln = _kiln_courses(firings, drop or KilnDrop(), traces or {})
    graded = records.graded
    same = graded["tile"].to_numpy()[:, None] == firings["tile"].to_numpy()[None, :]
    before = graded["look"].to_numpy()[:, None] >= firings["look"].to_numpy()[None, :]
    low, high = records.series.span("temperature")
    return HeatCourses(
        tile_degC=tile_course(
            kiln, duration, body or tile_body(records.series.blank, emissivity=EMISSIVITY)
        ),
        duration_s=duration,
        counts=same & before,
        reference_degC=(low + high) / 2,
    )


def _kiln_courses(
    firings: pd.DataFrame, drop: KilnDrop, traces: Mapping[int, KilnTrace]
) -> FloatArray:
    share = np.linspace(0.0, 1.0, 2 * STEPS + 1)
    rows = []
    for load, degC, dwell in zip(
        firings["load"], firings["temperature_degC"], firings["dwell_s"], strict=True
    ):
        time = share * float(dwell)
        trace = traces.get(int(load))
        if trace is None:
            rows.append(drop.course(float(degC), time))
        else:
            since = trace.time_s - trace.time_s[0]
            rows.append(np.interp(time, since, trace.temperature_degC))
    return np.array(rows)
