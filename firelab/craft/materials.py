"""What powder passes and what it is fired on: sieve openings, metals.

Openings are those of ASTM E11 / ISO 565. The metals' values are nominal handbook
figures as remembered; a series may state its own.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from firelab.craft.units import parse_length_mm
from firelab.errors import FirelabError

E11_OPENINGS_UM: dict[int, float] = {
    40: 425.0,
    60: 250.0,
    80: 180.0,
    100: 150.0,
    120: 125.0,
    140: 106.0,
    170: 90.0,
    200: 75.0,
    230: 63.0,
    270: 53.0,
    325: 45.0,
    400: 38.0,
}
"""Nominal opening in micrometres by sieve number (ASTM E11 / ISO 565)."""

TRADE_NAMES: dict[int, int] = {150: 140}
"""Meshes the trade names that E11 lacks, with the nearest E11 sieve.

"150 mesh" is about 105 um, nearest No. 140 (106 um); it is never 150 um, which
is No. 100.
"""


def grain_um(mesh: int) -> float:
    """Return the nominal grain size of a mesh, in micrometres.

    Parameters
    ----------
    mesh : int
        Sieve number, or a trade name of `TRADE_NAMES`.

    Raises
    ------
    FirelabError
        If the number is no sieve.

    References
    ----------
    .. [1] ASTM E11, Standard Specification for Woven Wire Test Sieve Cloth.

    Examples
    --------
    >>> grain_um(80), grain_um(150)
    (180.0, 106.0)
    """
    number = TRADE_NAMES.get(mesh, mesh)
    if number not in E11_OPENINGS_UM:
        known = ", ".join(str(n) for n in sorted({*E11_OPENINGS_UM, *TRADE_NAMES}))
        raise FirelabError(f"{mesh} mesh is not a test sieve", hint=f"one of {known}")
    return E11_OPENINGS_UM[number]


@dataclass(frozen=True, slots=True, kw_only=True)
class Metal:
    """A metal that carries enamel.

    Attributes
    ----------
    name : str
        As written in a series.
    hottest_degC : float
        Above this the metal sags or melts, degC.
    density_kg_m3, heat_capacity_J_kgK : float
        For the heat balance of a tile.
    modulus_GPa, expansion_per_K : float
        For the bending of a tile with unequal layers.
    """

    name: str
    hottest_degC: float
    density_kg_m3: float
    heat_capacity_J_kgK: float
    modulus_GPa: float
    expansion_per_K: float


METALS: dict[str, Metal] = {
    name: Metal(
        name=name,
        hottest_degC=hottest,
        density_kg_m3=density,
        heat_capacity_J_kgK=heat,
        modulus_GPa=modulus,
        expansion_per_K=expansion,
    )
    for name, hottest, density, heat, modulus, expansion in (
        ("copper", 1000.0, 8960.0, 420.0, 120.0, 17e-6),
        ("fine silver", 930.0, 10490.0, 260.0, 80.0, 19e-6),
        ("sterling silver", 780.0, 10360.0, 260.0, 75.0, 19e-6),
        ("steel", 1000.0, 7850.0, 560.0, 200.0, 12e-6),
        ("gilding metal", 980.0, 8800.0, 400.0, 115.0, 18e-6),
    )
}


def metal_named(name: str) -> Metal:
    """Return the metal of that name.

    Raises
    ------
    FirelabError
        If the metal is not in `METALS`.

    Examples
    --------
    >>> metal_named("copper").hottest_degC
    1000.0
    """
    if name not in METALS:
        raise FirelabError(
            f"metal {name!r} is not known", hint=f"one of {', '.join(METALS)}"
        )
    return METALS[name]


_GAUGE = re.compile(r"^\s*(\d+)\s*(?:gauge|ga\.?|awg|b\s*&\s*s)\s*$", re.I)


def parse_thickness(text: str) -> float:
    """Return a written thickness in millimetres: a length, or a gauge.

    The gauge is that of copper, silver and their alloys (American or Brown & Sharpe):
    number n is ``0.127 mm * 92 ** ((36 - n) / 39)``. Steel has another, so
    `firelab.series` refuses a gauge for it.

    Raises
    ------
    FirelabError
        If the text is neither.

    References
    ----------
    .. [1] ASTM B258, Standard nominal diameters and cross-sectional areas of AWG sizes
       of solid round wires used as electrical conductors.

    Examples
    --------
    >>> parse_thickness("18 gauge"), parse_thickness("0.8 mm")
    (1.0237, 0.8)
    """
    match = _GAUGE.match(str(text))
    if match is None:
        return parse_length_mm(text)
    steps: int = 36 - int(match[1])
    return round(0.127 * math.pow(92.0, steps / 39), 4)


def is_gauge(text: object) -> bool:
    """Tell whether a thickness is written by gauge."""
    return _GAUGE.match(str(text)) is not None
