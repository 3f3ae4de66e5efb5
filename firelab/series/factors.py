"""The five factors of a firing series, how a person writes a value, and rules on them.

Read from a file, a bare number is refused wherever a unit is needed; from
Python, a float is taken as already being in the stored unit.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator
from pydantic.dataclasses import dataclass

from firelab.arrays import BoolArray
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


_COMPARISON = re.compile(r"^\s*(>=|<=|>|<)\s*(.+)$")
_OPERATORS = {">=": operator.ge, "<=": operator.le, ">": operator.gt, "<": operator.lt}
Condition = tuple[str, tuple[float | int | str, ...]]


def _value(factor: str, written: Any) -> float | int | str:
    if factor == "temperature":
        return parse_temperature(written)
    if factor == "dwell":
        return parse_dwell(written)
    if factor == "base":
        return str(written)
    try:
        return int(written)
    except (TypeError, ValueError):
        raise FirelabError(f"{written!r} is not a whole number of {factor}") from None


def _condition(factor: str, written: Any) -> Condition:
    match = _COMPARISON.match(written) if isinstance(written, str) else None
    if match:
        if factor == "base":
            raise FirelabError(
                f"base {written!r}: a base has no order", hint="name the bases"
            )
        return match[1], (_value(factor, match[2]),)
    several = written if isinstance(written, list | tuple) else [written]
    return "in", tuple(_value(factor, one) for one in several)


@dataclass(frozen=True, slots=True, kw_only=True, config=ConfigDict(**STRICT))
class Rule:
    """One combination never to fire: every condition at once.

    Attributes
    ----------
    never : dict
        Factor name to a level, a list of levels, or a comparison such as
        ``">= 1450 degF"``.
    because : str
        The reason, printed where the rule binds.
    """

    never: dict[str, Any]
    because: str = ""

    @model_validator(mode="after")
    def _check(self) -> Self:
        strange = sorted(set(self.never) - set(FACTORS))
        if strange or not self.never:
            raise ValueError(
                f"a rule names factors, not {', '.join(strange) or 'nothing'}; "
                f"use {', '.join(FACTORS)}"
            )
        try:
            _ = self.conditions
        except FirelabError as fault:
            raise ValueError(str(fault)) from fault
        return self

    @property
    def conditions(self) -> dict[str, Condition]:
        """Each factor's operator and values, in stored units."""
        return {name: _condition(name, written) for name, written in self.never.items()}

    def forbids(self, settings: Any) -> BoolArray:
        """Tell which rows of a frame of settings the rule forbids.

        Parameters
        ----------
        settings : DataFrame, n rows
            With the factor columns of ``plan.csv`` that the rule names.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        forbidden = np.ones(len(settings), dtype=bool)
        for name, (sign, values) in self.conditions.items():
            column = settings[COLUMN_OF[name]]  # type: ignore[index]
            if sign != "in":
                forbidden &= _OPERATORS[sign](
                    column.to_numpy(dtype=float), float(values[0])
                )
            elif name == "base":
                forbidden &= column.isin(list(values)).to_numpy()
            else:
                wanted = np.array([float(value) for value in values])
                offset = column.to_numpy(dtype=float)[:, None] - wanted
                forbidden &= (np.abs(offset) < SAME_DEGC).any(axis=1)
        return forbidden

    def __str__(self) -> str:
        """Write the rule as a person would say it."""
        conditions = " and ".join(
            f"{name} {written}" for name, written in self.never.items()
        )
        return f"never {conditions}" + (f" ({self.because})" if self.because else "")
