"""Degrees apart, and their signs, in the unit that a kiln reads."""

from __future__ import annotations

import re

SIGN = {"degC": "°C", "degF": "°F"}
"""How a unit of temperature is written."""
PER_DEGC = {"degC": 1.0, "degF": 1.8}
"""Degrees of a unit that a difference of one degC is."""
_UNIT = re.compile(r"(?<![\w.])deg([CF])\b")


def other_unit(reads: str) -> str:
    """Return the unit that the kiln does not read."""
    return "degC" if reads == "degF" else "degF"


def format_difference_range(low_degC: float, high_degC: float, reads: str) -> str:
    """Write a difference by its ends, in the kiln's unit alone.

    Examples
    --------
    >>> format_difference_range(2.0, 11.0, "degF"), format_difference_range(-5, 5, "degC")
    ('4 to 20 °F', '-5 to 5 °C')
    """
    low, high = (PER_DEGC[reads] * end for end in (low_degC, high_degC))
    return f"{low:.0f} to {high:.0f} {SIGN[reads]}"


def kiln_unit_alone(words: str) -> str:
    """Return the kiln's own unit of a temperature that was written in both.

    Examples
    --------
    >>> kiln_unit_alone("1400 °F (760 °C)")
    '1400 °F'
    """
    return words.partition(" (")[0]


def with_degree_signs(text: str) -> str:
    """Return text with degC and degF written as a kiln's display does.

    A column's name, such as ``temperature_degC``, stays as it is.

    Examples
    --------
    >>> with_degree_signs("760 degC, 1400 degF, temperature_degC")
    '760 °C, 1400 °F, temperature_degC'
    """
    return _UNIT.sub(r"°\1", text)
