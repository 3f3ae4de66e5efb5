"""The five factors of a firing series, and how a person writes a value with its unit.

Read from a file, a bare number is refused wherever a unit is needed; from
Python, a float is taken as already being in the stored unit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator
from pydantic.dataclasses import dataclass

from firelab.craft.materials import grain_um, parse_thickness
from firelab.craft.units import (
    parse_duration,
    parse_dwell,
    parse_grams,
    parse_length_mm,
    parse_temperature,
    parse_temperature_difference,
)
from firelab.errors import FirelabError

FROM_FILE = {"from_file": True}
STRICT = ConfigDict(extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


def _as_written(parse: Callable[[Any], float]) -> BeforeValidator:
    def validate(value: Any, info: ValidationInfo) -> Any:
        from_file = bool(info.context and info.context.get("from_file"))
        if isinstance(value, float | int) and not isinstance(value, bool) and not from_file:
            return float(value)
        if not isinstance(value, str | float | int) or isinstance(value, bool):
            raise ValueError(f"{value!r} is not a value with a unit")
        try:
            return parse(value)
        except FirelabError as fault:
            raise ValueError(str(fault)) from fault

    return BeforeValidator(validate)


DegC = Annotated[float, _as_written(parse_temperature)]
DegCApart = Annotated[float, _as_written(parse_temperature_difference)]
Dwell = Annotated[float, _as_written(parse_dwell)]
Seconds = Annotated[float, _as_written(parse_duration)]
Millimetres = Annotated[float, _as_written(parse_length_mm)]
Thickness = Annotated[float, _as_written(parse_thickness)]
Grams = Annotated[float, _as_written(parse_grams)]


def _levels(value: Any) -> Any:
    """Let a factor be written as a bare list of its levels, or as one level."""
    if isinstance(value, dict) or hasattr(value, "__dataclass_fields__"):
        return value
    return {"levels": value if isinstance(value, list | tuple) else [value]}


AsLevels = BeforeValidator(_levels)


def _word(value: Any) -> Any:
    return value.strip().casefold() if isinstance(value, str) else value


AsWord = BeforeValidator(_word)
"""A word of a list, however it is capitalised."""


_UNITS = {
    "degF": ("f", "degf", "fahrenheit"),
    "degC": ("c", "degc", "celsius", "centigrade"),
}


def _unit(value: Any) -> Any:
    letter = str(value).strip().lstrip("°").casefold()
    for unit, words in _UNITS.items():
        if letter in words:
            return unit
    return value


AsUnit = BeforeValidator(_unit)
"""A unit of temperature as people write it: degF, °F, F, Fahrenheit."""


FactorName = Literal["temperature", "dwell", "mesh", "layers", "base"]
FACTORS: tuple[FactorName, ...] = ("temperature", "dwell", "mesh", "layers", "base")

_FORMULA_SIGNS = "=+-@"

COLUMN_OF: dict[FactorName, str] = {
    "temperature": "temperature_degC",
    "dwell": "dwell_s",
    "mesh": "mesh",
    "layers": "layers",
    "base": "base",
}
"""Column of ``plan.csv`` that holds each factor."""
SAME_DEGC = 0.02
"""Temperatures less than this apart are one setting.

A display's whole degree is kept to 0.01 degC, in the plan and again in the log: two
such roundings of one reading lie at most 0.01 degC apart, two readings of a display
at least 0.5 degC (1 degF).
"""


def same_temperature(one_degC: float, other_degC: float) -> bool:
    """Tell whether two temperatures are one setting of a kiln.

    Examples
    --------
    >>> same_temperature(787.78, 787.77), same_temperature(787.78, 788.33)
    (True, False)
    """
    return abs(one_degC - other_degC) < SAME_DEGC


class _Ordered:
    """Checks shared by the factors that have an order."""

    levels: tuple[float, ...]
    low: float | None
    high: float | None

    def _check_order(self, unit: str) -> None:
        if bool(self.levels) == (self.low is not None or self.high is not None):
            raise ValueError(f"give either levels or low and high, not both, in {unit}")
        if not self.levels and (self.low is None or self.high is None):
            raise ValueError("a range needs both low and high")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(
                f"low {self.low:g} {unit} is not below high {self.high:g} {unit}; "
                "swap the two"
            )
        if len(set(self.levels)) < len(self.levels):
            raise ValueError("a level stands twice; name each level once")


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class TemperatureFactor(_Ordered):
    """Kiln temperature, degC: levels, or a range from low to high."""

    levels: tuple[DegC, ...] = ()
    low: DegC | None = None
    high: DegC | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_order("degC")
        return self


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class DwellFactor(_Ordered):
    """Time from closing the door to opening it, s: levels, or a range."""

    levels: tuple[Dwell, ...] = ()
    low: Dwell | None = None
    high: Dwell | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_order("s")
        return self


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class MeshFactor:
    """Sieve that the powder passed, by number; the grain is its opening."""

    levels: Annotated[tuple[int, ...], Field(min_length=1)] = (80,)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(set(self.levels)) < len(self.levels):
            raise ValueError("a mesh stands twice; name each mesh once")
        for mesh in self.levels:
            try:
                grain_um(mesh)
            except FirelabError as fault:
                raise ValueError(str(fault)) from fault
        return self


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class LayersFactor:
    """Coats of the test enamel on the front."""

    levels: Annotated[
        tuple[Annotated[int, Field(ge=1, le=9)], ...], Field(min_length=1)
    ] = (1,)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class BaseFactor:
    """What lies under the test enamel: bare metal is ``"none"``."""

    levels: Annotated[tuple[str, ...], Field(min_length=1)] = ("none",)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(set(self.levels)) < len(self.levels):
            raise ValueError("a base stands twice; name each base once")
        for base in self.levels:
            if not base or base[0] in _FORMULA_SIGNS or not base.isprintable():
                raise ValueError(
                    f"base {base!r} would be a formula in a spreadsheet, or is not plain "
                    "text; begin it with a letter"
                )
        return self


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Factors:
    """All five factors; one with a single level is held constant."""

    temperature: Annotated[TemperatureFactor, AsLevels]
    dwell: Annotated[DwellFactor, AsLevels]
    mesh: Annotated[MeshFactor, AsLevels] = Field(default_factory=MeshFactor)
    layers: Annotated[LayersFactor, AsLevels] = Field(default_factory=LayersFactor)
    base: Annotated[BaseFactor, AsLevels] = Field(default_factory=BaseFactor)

    def levels(self, name: FactorName) -> tuple[float | int | str, ...]:
        """Return the stated levels; the two ends where a range was given."""
        factor = getattr(self, name)
        if factor.levels:
            return tuple(factor.levels)
        return (factor.low, factor.high)

    def is_range(self, name: FactorName) -> bool:
        """Tell whether any value between two ends may be fired."""
        return not getattr(self, name).levels

    @property
    def varied(self) -> tuple[FactorName, ...]:
        """Names of the factors with more than one level, in standing order."""
        return tuple(name for name in FACTORS if len(self.levels(name)) > 1)
