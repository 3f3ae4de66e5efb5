"""Sieve openings, and what the trade calls a mesh.

Nominal openings: ASTM E11 / ISO 565.
"""

from __future__ import annotations

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
