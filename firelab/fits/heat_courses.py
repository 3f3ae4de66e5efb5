r"""Heat work: how far a tile has come, whatever the kiln's thermometer said.

Viscous fusing speeds up with the tile's own absolute temperature as
:math:`\exp(-E/RT)`. Its progress over all firings of a tile is

.. math:: w = \ln \int \exp\Bigl\{-\frac{E}{R}
   \Bigl(\frac{1}{T(t)} - \frac{1}{T_0}\Bigr)\Bigr\}\,dt ,

the logarithm of the seconds at :math:`T_0` that would have done as much. One
number then stands for temperature and dwell, and several looks at a tile,
thicknesses and kilns share one scale.

The tile is one lump of metal: thin and conducting, it has one temperature, which
is not the kiln's. It takes up heat by radiation,
:math:`\varepsilon\sigma(T_k^4 - T^4)`, and where a coefficient is given also by
:math:`h\,(T_k - T)`, on every exposed face.

References
----------
.. [1] Bejan, A. & Kraus, A. D. (2003). *Heat Transfer Handbook*, eq. 3.283.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from firelab.arrays import BoolArray, FloatArray
from firelab.craft.heating import (
    EMISSIVITY,
    ROOM_DEGC,
    STEFAN_BOLTZMANN,
    ZERO_DEGC_K,
    heat_capacity,
)
from firelab.errors import FirelabError
from firelab.records.records import Records
from firelab.records.trace_file import KilnTrace
from firelab.series.firing_series import Blank

STEPS = 160
"""Steps of a firing: half a second of 80 s, in which a tile warms by 20 degC at most
(chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TileBody:
    """A tile as it takes up heat.

    Attributes
    ----------
    capacity_J_m2K : float
        Heat per K and square metre of exposed surface.
    emissivity : float
    coefficient_W_m2K : float
        Of heat that comes by the air; 0 leaves radiation alone.
    start_degC : float
        Of the tile when the door closes.
    """

    capacity_J_m2K: float
    emissivity: float = EMISSIVITY
    coefficient_W_m2K: float = 0.0
    start_degC: float = ROOM_DEGC

    def warming(self, kiln_K: FloatArray, tile_K: FloatArray) -> FloatArray:
        """Return how fast the tile warms, K per s."""
        flow = self.emissivity * STEFAN_BOLTZMANN * (kiln_K**4 - tile_K**4)
        flow = flow + self.coefficient_W_m2K * (kiln_K - tile_K)
        return np.asarray(flow / self.capacity_J_m2K)


def tile_body(
    blank: Blank, *, emissivity: float = EMISSIVITY, start_degC: float = ROOM_DEGC
) -> TileBody:
    """Return the body of a blank that is heated on both faces.

    Glass adds some heat capacity and is left out; nominal values of the metal.

    Examples
    --------
    >>> round(tile_body(Blank(metal="copper", thickness=0.8)).capacity_J_m2K, 1)
    1505.3
    """
    return TileBody(
        capacity_J_m2K=heat_capacity(blank.metal, blank.thickness) / 2.0,
        emissivity=emissivity,
        start_degC=start_degC,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class KilnDrop:
    """How a kiln falls when its door is opened, and comes back.

    Attributes
    ----------
    drop_degC : float
        Fall when the tile goes in; 0 is a kiln that does not notice.
    recovery_s : float
        Time constant of the way back.
    """

    drop_degC: float = 0.0
    recovery_s: float = 60.0

    def course(self, temperature_degC: ArrayLike, time_s: ArrayLike) -> FloatArray:
        """Return the kiln's temperature so long after the door closed, degC."""
        fallen = self.drop_degC * np.exp(-np.asarray(time_s) / self.recovery_s)
        return np.asarray(np.asarray(temperature_degC, dtype=float) - fallen)


def tile_course(kiln_degC: ArrayLike, duration_s: ArrayLike, body: TileBody) -> FloatArray:
    """Return the tile's temperature over n firings, degC, shape (n, m + 1).

    Runge and Kutta's fourth order, m steps of two samples each.

    Parameters
    ----------
    kiln_degC : array_like, shape (n, 2 m + 1)
        The kiln at even times from closing the door to opening it.
    duration_s : array_like, shape (n,)
        Of each firing.
    body : TileBody

    Raises
    ------
    FirelabError
        If the number of samples is not odd, or less than three.
    """
    kiln = np.atleast_2d(np.asarray(kiln_degC, dtype=float)) + ZERO_DEGC_K
    if kiln.shape[1] < 3 or kiln.shape[1] % 2 == 0:
        raise FirelabError(f"{kiln.shape[1]} samples of the kiln; give 3, 5, 7 or so on")
    steps = (kiln.shape[1] - 1) // 2
    step = np.broadcast_to(np.asarray(duration_s, dtype=float), len(kiln)) / steps
    tile = np.empty((len(kiln), steps + 1))
    tile[:, 0] = body.start_degC + ZERO_DEGC_K
    for k in range(steps):
        start, middle, end = kiln[:, 2 * k], kiln[:, 2 * k + 1], kiln[:, 2 * k + 2]
        here = tile[:, k]
        first = body.warming(start, here)
        second = body.warming(middle, here + 0.5 * step * first)
        third = body.warming(middle, here + 0.5 * step * second)
        fourth = body.warming(end, here + step * third)
        tile[:, k + 1] = here + step / 6 * (first + 2 * second + 2 * third + fourth)
    return tile - ZERO_DEGC_K


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
    counts: BoolArray
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
        without one is held at its temperature. By default those of the records.
    body : TileBody, optional
        By default that of the series' blank.
    """
    firings = (
        records.looks.drop_duplicates(["tile", "look"])
        .sort_values(["tile", "look"])
        .reset_index(drop=True)
    )
    duration = firings["dwell_s"].to_numpy(dtype=float)
    kiln = _kiln_courses(
        firings, drop or KilnDrop(), records.traces if traces is None else traces
    )
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
