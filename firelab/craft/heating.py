r"""Heat of a tile: how long it warms up, its own temperature, and how far that brings it.

The tile is one lump of metal: thin and conducting, it has one temperature, which is not
the kiln's. It takes up heat by radiation, :math:`\varepsilon\sigma(T_k^4 - T^4)`, and where
a coefficient is given also by :math:`h\,(T_k - T)`, on every exposed face. Glass adds some
heat capacity and is left out.

Viscous fusing speeds up with the tile's own absolute temperature as :math:`\exp(-E/RT)`.
Its progress over all firings of a tile is

.. math:: w = \ln \int \exp\Bigl\{-\frac{E}{R}
   \Bigl(\frac{1}{T(t)} - \frac{1}{T_0}\Bigr)\Bigr\}\,dt ,

the logarithm of the seconds at :math:`T_0` that would have done as much. One number then
stands for temperature and dwell, and several looks at a tile, thicknesses and kilns share
one scale.

References
----------
.. [1] Bejan, A. & Kraus, A. D. (2003). *Heat Transfer Handbook*, eq. 3.283.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.craft.materials import metal_named
from firelab.errors import FirelabError

STEFAN_BOLTZMANN = 5.670374419e-8
"""W per square metre and K^4 (CODATA 2018)."""
GAS_CONSTANT = 8.314462618
"""J per mol and K (CODATA 2018)."""
ZERO_DEGC_K = 273.15
ROOM_DEGC = 20.0
"""Where a tile starts (common practice, no source)."""
EMISSIVITY = 0.8
"""Of a sifted or fused tile in a bright kiln (from memory, no source)."""
_WARM = 0.98
"""Share of the kiln's absolute temperature at which a tile counts as warm; see
`warm_up_time` for what that costs in heat work."""


def heating_time(
    *,
    kiln_K: float,
    start_K: float,
    tile_K: float,
    capacity_J_K: float,
    area_m2: float,
    emissivity: float,
) -> float:
    """Return the seconds until a lump heated by radiation has a temperature.

    Parameters
    ----------
    kiln_K, start_K, tile_K : float
        Surroundings, lump at the start, lump at the end.
    capacity_J_K : float
        Heat capacity of the lump.
    area_m2 : float
        Area that takes up radiation.
    emissivity : float

    References
    ----------
    .. [1] Bejan, A. and Kraus, A. D. (2003). Heat Transfer Handbook, eq. 3.283.

    Examples
    --------
    >>> round(heating_time(kiln_K=1073.15, start_K=298.15, tile_K=973.15,
    ...                    capacity_J_K=7.5264, area_m2=0.005, emissivity=0.8), 2)
    22.68
    """

    def reached(share: float) -> float:
        return float(0.25 * np.log((1.0 + share) / (1.0 - share)) + 0.5 * np.arctan(share))

    scale = capacity_J_K / (emissivity * STEFAN_BOLTZMANN * area_m2 * kiln_K**3)
    return float(scale * (reached(tile_K / kiln_K) - reached(start_K / kiln_K)))


def heat_capacity(metal: str, thickness_mm: float) -> float:
    """Return the heat that a tile holds per square metre of it, J/K."""
    body = metal_named(metal)
    return body.density_kg_m3 * body.heat_capacity_J_kgK * thickness_mm * 1e-3


def warm_up_time(metal: str, thickness_mm: float, temperature_degC: float) -> float:
    """Return the seconds of a firing that go into warming the tile up.

    The time until the tile has 98 % of the kiln's absolute temperature. What a
    firing loses in heat work against a tile that is hot at once is within a
    tenth of it, for activation energies of 200 to 400 kJ/mol.

    Parameters
    ----------
    metal : str
        As in `firelab.craft.materials`.
    thickness_mm : float
    temperature_degC : float
        Of the kiln.

    Examples
    --------
    >>> round(warm_up_time("copper", 0.8, 760.0))
    38
    """
    kiln = temperature_degC + ZERO_DEGC_K
    return heating_time(
        kiln_K=kiln,
        start_K=ROOM_DEGC + ZERO_DEGC_K,
        tile_K=_WARM * kiln,
        capacity_J_K=heat_capacity(metal, thickness_mm),
        area_m2=2.0,
        emissivity=EMISSIVITY,
    )


def equivalent_dwell(
    firings: Iterable[tuple[float, float]], temperature_degC: float, doubling_degC: float
) -> float:
    """Return the dwell at a temperature that brings as much heat as some firings, s.

    Parameters
    ----------
    firings : iterable of (float, float)
        Temperature, degC, and dwell, s, of each.
    temperature_degC : float
        Where they are to count.
    doubling_degC : float
        Degrees that doubling the dwell is worth.

    Examples
    --------
    >>> equivalent_dwell([(760.0, 120.0)], 790.0, 30.0)
    60.0
    """
    return float(
        sum(
            dwell * 2.0 ** ((degC - temperature_degC) / doubling_degC)
            for degC, dwell in firings
        )
    )


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


def tile_body(metal: str, thickness_mm: float) -> TileBody:
    """Return the body of a blank that is heated on both faces.

    Glass adds some heat capacity and is left out; nominal values of the metal.

    Examples
    --------
    >>> round(tile_body("copper", 0.8).capacity_J_m2K, 1)
    1505.3
    """
    return TileBody(capacity_J_m2K=heat_capacity(metal, thickness_mm) / 2.0)


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
