"""Heat of a tile: how long it warms up, and what firings at other temperatures count.

The tile is one lump of metal, heated on both faces by radiation alone. Glass adds
some heat capacity and is left out.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from firelab.craft.materials import metal_named

STEFAN_BOLTZMANN = 5.670374419e-8
"""W per square metre and K^4 (CODATA 2018)."""
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
