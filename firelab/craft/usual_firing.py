"""Where the trade fires a kind of enamel on a metal: what is believed before any tile."""

from __future__ import annotations

from dataclasses import dataclass

from firelab.craft.units import to_degC

USUAL_DWELL_S = 135.0
"""The usual time in the kiln, 2 min 15 s (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualFiring:
    """Where full is believed to lie at the usual time.

    Attributes
    ----------
    middle_degC : float
        Middle of full.
    sd_degC : float
        Standard deviation of that from jar to jar.
    """

    middle_degC: float
    sd_degC: float


_MIDDLE_DEGF = {"opaque": 1375.0, "opalescent": 1400.0, "transparent": 1425.0}
"""On copper: opaques at 1350 to 1400 degF, transparents hotter or longer, opalescents
between (common practice, no source)."""
_HOTTER_DEGF = {"steel": 75.0}
"""How much hotter than on copper; the other metals carry the same enamels (common
practice, no source)."""
_SD_DEGF, _LESS_KNOWN_SD_DEGF = 35.0, 45.0
"""Of opaques on copper: two jars of three within a range as wide again as the trade's 50
degF, and one 60 degF off no rarer than 1 in 11; of everything else (common practice at
best, chosen here)."""


def usual_firing(kind: str, metal: str) -> UsualFiring:
    """Return where the trade fires a kind of enamel on a metal.

    Parameters
    ----------
    kind : {'opaque', 'transparent', 'opalescent'}
    metal : str
        One of ``firelab.craft.metals.METALS``.

    Examples
    --------
    >>> opaque = usual_firing("opaque", "copper")
    >>> round(opaque.middle_degC), round(opaque.sd_degC)
    (746, 19)
    """
    best_known = kind == "opaque" and metal == "copper"
    return UsualFiring(
        middle_degC=to_degC(_MIDDLE_DEGF[kind] + _HOTTER_DEGF.get(metal, 0.0)),
        sd_degC=(_SD_DEGF if best_known else _LESS_KNOWN_SD_DEGF) / 1.8,
    )
