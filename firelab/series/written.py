"""Types of a series field that a person writes with its unit.

Read from a file, a bare number is refused wherever a unit is needed; from
Python, a float is taken as already being in the stored unit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import BeforeValidator, ConfigDict, ValidationInfo

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
Grams = Annotated[float, _as_written(parse_grams)]


def _levels(value: Any) -> Any:
    """Let a factor be written as a bare list of its levels, or as one level."""
    if isinstance(value, dict) or hasattr(value, "__dataclass_fields__"):
        return value
    return {"levels": value if isinstance(value, list | tuple) else [value]}


AsLevels = BeforeValidator(_levels)
