"""What is expected of a jar before a tile is fired, and how sure that is."""

from __future__ import annotations

from typing import Self

from pydantic import model_validator
from pydantic.dataclasses import dataclass

from firelab.series.written import STRICT, DegC, DegCApart, Dwell


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Expectation:
    """Where the window is expected, for the first setting of the series.

    Attributes
    ----------
    low_edge, high_edge : float
        Expected edges at the dwell `at`, degC.
    at : float
        Dwell, s.
    uncertainty : float
        Standard deviation of each edge about its expected place, degC apart.
    blur : float
        Degrees over which a grade passes from 20 % to 80 % of tiles (default
        common practice, no source).
    load_shift : float
        Standard deviation of loads, in degC of kiln temperature.
    doubling : float
        Degrees that doubling the dwell is worth (default common practice, no
        source).
    """

    low_edge: DegC
    high_edge: DegC
    at: Dwell
    uncertainty: DegCApart = 15.0
    blur: DegCApart = 20.0
    load_shift: DegCApart = 4.0
    doubling: DegCApart = 30.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.low_edge >= self.high_edge:
            raise ValueError(
                f"low_edge {self.low_edge:g} degC is not below high_edge "
                f"{self.high_edge:g} degC; swap the two"
            )
        if self.blur <= 0:
            raise ValueError(f"blur {self.blur:g} degC is not above 0; give its spread")
        return self
