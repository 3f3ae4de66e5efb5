"""Settings in the words that are printed, the kiln's own unit first."""

from __future__ import annotations

from collections.abc import Sequence

from firelab.craft.setting_words import base_words, layers_words
from firelab.craft.units import format_duration, to_degF
from firelab.series.firing_series import FiringSeries
from firelab.sheets.tile_places import EarlierHeat

_MOST_EARLIER = 2


def temperature_words(degC: float, reads: str) -> tuple[str, str]:
    """Return a temperature in the kiln's unit and in the other one.

    Parameters
    ----------
    degC : float
        Temperature, degC.
    reads : {'degC', 'degF'}
        Unit of the kiln's display.

    Examples
    --------
    >>> temperature_words(760.0, "degF")
    ('1400 °F', '760 °C')
    >>> temperature_words(732.22, "degC")
    ('732.2 °C', '1350 °F')
    """
    values = {"degC": degC, "degF": to_degF(degC)}
    other = "degC" if reads == "degF" else "degF"
    own = round(values[reads], 1)
    return (
        f"{own:g} {_SIGN[reads]}",
        f"{values[other]:.0f} {_SIGN[other]}",
    )


_SIGN = {"degC": "°C", "degF": "°F"}


def both_temperatures(degC: float, reads: str) -> str:
    """Write a temperature in both units.

    Examples
    --------
    >>> both_temperatures(760.0, "degF")
    '1400 °F (760 °C)'
    """
    own, other = temperature_words(degC, reads)
    return f"{own} ({other})"


def dwell_words(seconds: float) -> str:
    """Write a dwell, to the second.

    Examples
    --------
    >>> dwell_words(150.0)
    '2 min 30 s'
    """
    return format_duration(seconds)


def earlier_words(before: Sequence[EarlierHeat], reads: str) -> str:
    """Write what a tile has had before it is fired on, the last two temperatures.

    Examples
    --------
    >>> once = EarlierHeat(temperature_degC=760.0, dwell_s=120.0)
    >>> earlier_words([once], "degF")
    '1400 °F (760 °C) 2 min'
    >>> twice = EarlierHeat(temperature_degC=787.78, dwell_s=90.0, firings=2)
    >>> earlier_words([once, twice], "degF")
    '1400 °F (760 °C) 2 min, then 1450 °F (788 °C) 1 min 30 s in 2 firings'
    """
    earlier = "..., then " if len(before) > _MOST_EARLIER else ""
    return earlier + ", then ".join(
        f"{both_temperatures(one.temperature_degC, reads)} {dwell_words(one.dwell_s)}"
        + (f" in {one.firings} firings" if one.firings > 1 else "")
        for one in before[-_MOST_EARLIER:]
    )


def powder_words(mesh: int, layers: int, base: str) -> str:
    """Write mesh, coats and base in one line.

    Examples
    --------
    >>> powder_words(80, 2, "hard clear")
    '80 mesh · 2 coats · over hard clear'
    """
    return f"{mesh} mesh · {layers_words(layers)} · {base_words(base)}"


def blank_words(series: FiringSeries) -> str:
    """Write the bare tile of a series, such as ``40 x 40 x 0.8 mm copper``."""
    blank = series.blank
    return f"{blank.width:g} × {blank.height:g} × {blank.thickness:g} mm {blank.metal}"


def grams_words(grams: float) -> str:
    """Write a mass to 0.01 g below 10 g, else to 0.1 g.

    Examples
    --------
    >>> grams_words(0.853), grams_words(25.6)
    ('0.85 g', '25.6 g')
    """
    return f"{grams:.2f} g" if grams < 10 else f"{grams:.1f} g"
