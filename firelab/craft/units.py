"""Temperatures, times and lengths as people write them.

Stored are degC, seconds, millimetres, micrometres and grams; a person writes as usual.
"""

from __future__ import annotations

import math
import re
import unicodedata

from firelab.errors import FirelabError

FIRING_LOW_DEGC = 480.0
"""Coldest firing believed without question, degC (common practice, no source)."""
FIRING_HIGH_DEGC = 1000.0
"""Hottest firing believed without question, degC (common practice, no source)."""
DWELL_SHORTEST_S = 10.0
DWELL_LONGEST_S = 3600.0

_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"
_TEMPERATURE = re.compile(
    rf"^\s*({_NUMBER})\s*(?:deg(?:rees)?\.?\s*)?[°º˚]?\s*"
    r"(celsius|fahrenheit|fahr|kelvin|[cfk]?)\.?\s*$",
    re.I,
)
_THOUSANDS = re.compile(r"^\s*(\d)[., ’'](\d{3})(?!\d)")
"""As in 1,450 F: no enamel is fired at 1.45 degrees."""
_CLOCK = re.compile(r"^\s*(\d+):([0-5]?\d)(?::([0-5]?\d))?\s*$")
_MINUTES_SECONDS = re.compile(
    r"^\s*(\d+)\s*(?:['′’]|m(?:in)?\.?)\s*([0-5]?\d)\s*(?:''|[\"″”])?\s*$", re.I
)
"""As in 2'30 and 2 min 30."""
_FRACTION = re.compile(r"(\d*)\s*([¼½¾⅓⅔])")
_TYPED = {"1/2": "½", "1/4": "¼", "3/4": "¾", "1/3": "⅓", "2/3": "⅔"}
_TYPED_FRACTION = re.compile(rf"(?<![\d/])(?:{'|'.join(_TYPED)})(?![\d/])")
_SPAN = re.compile(
    rf"({_NUMBER})\s*(hours?|hrs?|h|minutes?|mins?|min|m|'|seconds?|secs?|sec|s|\")\.?",
    re.I,
)
_LENGTH = re.compile(rf"^\s*({_NUMBER})\s*(mm|cm|um|µm|in|inch|inches|\")\s*$", re.I)
_MASS = re.compile(rf"^\s*({_NUMBER})\s*(g|grams?|kg|oz)?\s*$", re.I)


def to_degC(degF: float) -> float:
    """Return degF as degC.

    Examples
    --------
    >>> to_degC(1400)
    760.0
    """
    return (degF - 32.0) / 1.8


def to_degF(degC: float) -> float:
    """Return degC as degF.

    Examples
    --------
    >>> to_degF(760)
    1400.0
    """
    return degC * 1.8 + 32.0


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def is_plausible_firing(degC: float) -> bool:
    """Tell whether a temperature is one at which enamel is fired."""
    return FIRING_LOW_DEGC <= degC <= FIRING_HIGH_DEGC


def implausible_temperature(number: float, unit: str) -> tuple[str, str] | None:
    """Say why a firing temperature is not believed, naming both readings.

    Parameters
    ----------
    number : float
        As it was written.
    unit : {'degC', 'degF'}
        The unit under which it was read.

    Returns
    -------
    tuple of (str, str) or None
        Message and remedy; None where the reading is believed.

    Examples
    --------
    >>> implausible_temperature(1400, "degC")[0]
    '1400 degC (2552 degF) is outside 480 to 1000 degC; read as degF it is 760 degC'
    >>> implausible_temperature(760, "degC") is None
    True
    """
    degC = number if unit == "degC" else to_degC(number)
    if is_plausible_firing(degC):
        return None
    other = "degF" if unit == "degC" else "degC"
    turned = to_degF(number) if unit == "degC" else degC
    limits = f"{FIRING_LOW_DEGC:.0f} to {FIRING_HIGH_DEGC:.0f} degC"
    message = f"{number:g} {unit} ({turned:.0f} {other}) is outside {limits}"
    as_other = to_degC(number) if unit == "degC" else number
    if is_plausible_firing(as_other):
        message += f"; read as {other} it is {as_other:.0f} degC"
        return message, f'if {other} was meant, write "{number:g} {other}"'
    return message, "write the temperature at which the load was fired"


def parse_temperature(text: str | float, *, unit: str = "", firing: bool = True) -> float:
    """Return a written temperature in degC, rounded to 0.01 degC.

    Parameters
    ----------
    text : str or float
        Such as ``"1400 degF"``, ``"760 °C"``, ``"1,400 F"``, ``"1400 Fahrenheit"``,
        or a bare number where `unit` says what a bare number means.
    unit : {'', 'degC', 'degF'}, default ''
        Unit of a bare number; empty refuses one.
    firing : bool, default True
        Refuse what cannot be a firing temperature.

    Raises
    ------
    FirelabError
        If the text is not a temperature, lacks a unit, or is not believed.

    Examples
    --------
    >>> parse_temperature("1400 degF"), parse_temperature("760 °C")
    (760.0, 760.0)
    >>> parse_temperature("1400", unit="degC")
    Traceback (most recent call last):
    firelab.errors.FirelabError: 1400 degC (2552 degF) is outside 480 to 1000 degC;
        read as degF it is 760 degC
      hint: if degF was meant, write "1400 degF"
    """
    match = _TEMPERATURE.match(_THOUSANDS.sub(r"\1\2", str(text)) if firing else str(text))
    if match is None:
        raise FirelabError(
            f"{str(text)!r} is not a temperature", hint='write "1400 degF" or "760 degC"'
        )
    number, letter = _number(match[1]), match[2][:1].upper()
    written = {"C": "degC", "F": "degF", "K": "K", "": unit}[letter]
    if not written:
        raise FirelabError(
            f"{number:g} has no unit: {number:g} degF is {to_degC(number):.0f} degC, "
            f"{number:g} degC is {to_degF(number):.0f} degF",
            hint=f'write "{number:g} degF" or "{number:g} degC"',
        )
    if written == "K":
        number, written = number - 273.15, "degC"
    if firing and (doubt := implausible_temperature(number, written)):
        raise FirelabError(doubt[0], hint=doubt[1])
    return round(number if written == "degC" else to_degC(number), 2)


def unit_of_temperature(text: str) -> str:
    """Return the unit that a temperature is written in, for an answer in the same.

    Examples
    --------
    >>> unit_of_temperature("760 °C"), unit_of_temperature("1400 degF")
    ('degC', 'degF')
    """
    match = _TEMPERATURE.match(text)
    return "degC" if match and match[2][:1].upper() == "C" else "degF"


def parse_temperature_difference(text: str | float) -> float:
    """Return a written difference of temperature in degC.

    Raises
    ------
    FirelabError
        If the text is not one, lacks a unit, or is negative.

    Examples
    --------
    >>> parse_temperature_difference("18 degF"), parse_temperature_difference("10 degC")
    (10.0, 10.0)
    """
    match = _TEMPERATURE.match(str(text))
    if match is None or not match[2] or _number(match[1]) < 0:
        raise FirelabError(
            f"{str(text)!r} is not a difference of temperature",
            hint='write "20 degF" or "10 degC"',
        )
    number = _number(match[1])
    return round(number / 1.8 if match[2][0].upper() == "F" else number, 4)


def _as_decimal(match: re.Match[str]) -> str:
    return f"{int(match[1] or 0) + unicodedata.numeric(match[2]):.6g}"


def _span_seconds(text: str) -> float | None:
    text = _TYPED_FRACTION.sub(lambda written: _TYPED[written[0]], text)
    text = _FRACTION.sub(_as_decimal, text)
    clock = _CLOCK.match(text) or _MINUTES_SECONDS.match(text)
    if clock:
        seconds = 0
        for part in clock.groups():
            seconds = seconds if part is None else seconds * 60 + int(part)
        return float(seconds)
    rest = _SPAN.sub("", text).strip(" ,")
    pieces = _SPAN.findall(text)
    if rest or not pieces:
        return None
    scale = {"h": 3600.0, "m": 60.0, "'": 60.0, "s": 1.0, '"': 1.0}
    return sum(_number(number) * scale[unit[0].lower()] for number, unit in pieces)


def parse_duration(text: str | float, *, unit: str = "") -> float:
    """Return a written time span in seconds.

    Parameters
    ----------
    text : str or float
        Such as ``"2 min 30 s"``, ``"2:30"``, ``"150 s"``, ``"2.5 min"``.
    unit : {'', 's', 'min'}, default ''
        Unit of a bare number; empty refuses one.

    Raises
    ------
    FirelabError
        If the text is not a time, is negative, or a bare number has no unit.

    Examples
    --------
    >>> [parse_duration(t) for t in ("2 min 30 s", "2:30", "2'30", "150 s", "2½ min")]
    [150.0, 150.0, 150.0, 150.0, 150.0]
    """
    written = str(text).strip()
    bare = re.fullmatch(_NUMBER, written)
    if bare:
        number = _number(written)
        if not unit:
            raise FirelabError(
                f"{number:g} has no unit: seconds or minutes?",
                hint=f'write "{number:g} s" or "{number:g} min"',
            )
        seconds: float | None = number * (60.0 if unit == "min" else 1.0)
    else:
        seconds = _span_seconds(written)
    if seconds is None or seconds < 0:
        raise FirelabError(
            f"{written!r} is not a time", hint='write "2 min 30 s", "2:30" or "150 s"'
        )
    return round(seconds, 3)


def parse_dwell(text: str | float, *, unit: str = "") -> float:
    """Return a written dwell in seconds, refusing what no firing takes.

    Raises
    ------
    FirelabError
        As `parse_duration`, and if the dwell is not between 10 s and 1 h.

    Examples
    --------
    >>> parse_dwell(150, unit="s")
    150.0
    """
    seconds = parse_duration(text, unit=unit)
    if DWELL_SHORTEST_S <= seconds <= DWELL_LONGEST_S:
        return seconds
    message = (
        f"{seconds:g} s is outside {DWELL_SHORTEST_S:g} s to {DWELL_LONGEST_S / 60:g} min"
    )
    in_minutes = seconds * 60
    if unit == "s" and DWELL_SHORTEST_S <= in_minutes <= DWELL_LONGEST_S:
        message += f"; read as minutes it is {in_minutes:g} s"
        raise FirelabError(message, hint=f'if minutes were meant, write "{seconds:g} min"')
    raise FirelabError(message, hint="write the time from closing the door to opening it")


def parse_length_mm(text: str) -> float:
    """Return a written length in millimetres.

    Raises
    ------
    FirelabError
        If the text is not a length with its unit.

    Examples
    --------
    >>> parse_length_mm("0.8 mm"), parse_length_mm("2 in")
    (0.8, 50.8)
    """
    match = _LENGTH.match(str(text))
    if match is None:
        raise FirelabError(
            f"{str(text)!r} is not a length", hint='write "40 mm", "4 cm" or "1.5 in"'
        )
    scale = {"mm": 1.0, "cm": 10.0, "um": 1e-3, "µm": 1e-3}.get(match[2].lower(), 25.4)
    return round(_number(match[1]) * scale, 6)


def parse_grams(text: str | float) -> float:
    """Return a written mass in grams; a bare number is grams.

    Raises
    ------
    FirelabError
        If the text is not a mass, or is negative.

    Examples
    --------
    >>> parse_grams("30 g"), parse_grams(30), parse_grams("0.1 kg")
    (30.0, 30.0, 100.0)
    """
    match = _MASS.match(str(text))
    if match is None or _number(match[1]) < 0:
        raise FirelabError(f"{str(text)!r} is not a mass", hint='write "30 g"')
    unit = (match[2] or "g").lower()
    scale = {"kg": 1000.0, "oz": 28.349523125}.get(unit, 1.0)
    return round(_number(match[1]) * scale, 6)


def _in_both(text_degC: str, text_degF: str, reads: str) -> str:
    own, other = f"{text_degC} °C", f"{text_degF} °F"
    if reads == "degF":
        own, other = other, own
    return f"{own} ({other})"


def format_temperature(degC: float, reads: str = "degF") -> str:
    """Write a temperature in the unit that the kiln reads, then in the other.

    Examples
    --------
    >>> format_temperature(760), format_temperature(760, "degC")
    ('1400 °F (760 °C)', '760 °C (1400 °F)')
    """
    return _in_both(f"{degC:.0f}", f"{to_degF(degC):.0f}", reads)


def format_temperature_range(low_degC: float, high_degC: float, reads: str = "degF") -> str:
    """Write two temperatures as a range, the kiln's unit first.

    Examples
    --------
    >>> format_temperature_range(750, 770)
    '1382 to 1418 °F (750 to 770 °C)'
    """
    in_degF = f"{to_degF(low_degC):.0f} to {to_degF(high_degC):.0f}"
    return _in_both(f"{low_degC:.0f} to {high_degC:.0f}", in_degF, reads)


def format_temperature_difference(
    degC: float, reads: str = "degF", *, written: str = ".0f"
) -> str:
    """Write a width or a shift of temperature, to the nearest degree of each unit.

    Examples
    --------
    >>> format_temperature_difference(20), format_temperature_difference(3, written=".2g")
    ('36 °F (20 °C)', '5.4 °F (3 °C)')
    """
    return _in_both(f"{degC:{written}}", f"{degC * 1.8:{written}}", reads)


_ALMOST_WHOLE = 1e-6
"""Rounding error that must not take a degree away, degrees (chosen here, no source)."""


def format_tolerance(degC: float, reads: str = "degF") -> str:
    """Write how far a temperature may be off, rounded down in each unit.

    What is written is never more than what was assured.

    Examples
    --------
    >>> format_tolerance(3 / 1.8), format_tolerance(3 / 1.8, "degC")
    ('3 °F (1 °C)', '1 °C (3 °F)')
    """
    whole = [math.floor(degrees + _ALMOST_WHOLE) for degrees in (degC, degC * 1.8)]
    return _in_both(str(whole[0]), str(whole[1]), reads)


def format_duration(seconds: float) -> str:
    """Write a time span as a person does.

    Examples
    --------
    >>> format_duration(150), format_duration(45), format_duration(5400)
    ('2 min 30 s', '45 s', '1 h 30 min')
    """
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    parts = [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes else []
    parts += [f"{left} s"] if left or not parts else []
    return " ".join(parts)
