"""Firings before the test, and the glass and metal that may bend."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass

from firelab.series.written import STRICT, DegC, Dwell, Millimetres

Positive = Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PreparationFiring:
    """Temperature (degC) and dwell (s) of a preparation firing."""

    temperature: DegC
    dwell: Dwell


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Preparation:
    """Firings before the test: counter-enamel, base, and coats under the last.

    Defaults are the usual firing of an opaque on copper (common practice, no
    source); state the studio's own. `back` says how many coats the back
    carries: as many as the front, one, or none.
    """

    counter: PreparationFiring = Field(
        default_factory=lambda: PreparationFiring(temperature=760.0, dwell=120.0)
    )
    base: PreparationFiring = Field(
        default_factory=lambda: PreparationFiring(temperature=790.0, dwell=150.0)
    )
    coat: PreparationFiring = Field(
        default_factory=lambda: PreparationFiring(temperature=760.0, dwell=120.0)
    )
    back: Literal["as the front", "one coat", "bare"] = "as the front"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Glass:
    """Constants for the bending of a tile whose faces differ.

    The defaults are values from memory, for a soft enamel: state those of your
    own glass where you know them.

    Attributes
    ----------
    modulus_GPa, expansion_per_K : float
        Of the fired enamel.
    density_kg_m3 : float
        Of the fired enamel; makes a thickness of a coat's weight.
    metal_modulus_GPa, metal_expansion_per_K : float or None
        In place of the nominal values of the metal.
    cooling_K : float
        Span over which enamel and metal cool together.
    sag_limit : float
        Sag over the longer side that is flagged, millimetres (no source).
    """

    modulus_GPa: Positive = 70.0
    expansion_per_K: Positive = 11e-6
    density_kg_m3: Positive = 2500.0
    metal_modulus_GPa: Positive | None = None
    metal_expansion_per_K: Positive | None = None
    cooling_K: Positive = 400.0
    sag_limit: Millimetres = 0.2
