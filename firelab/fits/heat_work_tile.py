r"""The temperature of the tile itself, while the kiln's thermometer shows another.

The tile is one lump of metal: thin and conducting, it has one temperature. It
takes up heat by radiation, :math:`\varepsilon\sigma(T_k^4 - T^4)`, and where a
coefficient is given also by :math:`h\,(T_k - T)`, on every exposed face.

References
----------
.. [1] Bejan, A. & Kraus, A. D. (2003). *Heat Transfer Handbook*, eq. 3.283.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.craft.heating import (
    EMISSIVITY,
    ROOM_DEGC,
    STEFAN_BOLTZMANN,
    ZERO_DEGC_K,
    heat_capacity,
)
from firelab.errors import FirelabError
from firelab.series.firing_series import Blank

FloatArray = NDArray[np.float64]

STEPS = 160


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
