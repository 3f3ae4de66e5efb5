"""A look in words, for the terminal and the page beside the kiln."""

from __future__ import annotations

from firelab.craft.units import format_duration, format_temperature
from firelab.records.look import Look


def said_look(look: Look) -> str:
    """Return one line that says what was seen.

    Examples
    --------
    >>> said_look(Look(tile="AEX", look=1, session=1, load=2, dwell_s=150, stage="full"))
    'AEX look 1, load 2, 2 min 30 s: full'
    """
    place = [f"{look.tile} look {look.look}", f"load {look.load}"]
    if look.temperature_degC is not None:
        place.append(format_temperature(look.temperature_degC))
    if look.dwell_s is not None:
        place.append(format_duration(look.dwell_s))
    score = "" if look.transparency is None else f"score {look.transparency:g}"
    seen = [word for word in (look.stage, score, look.defects, look.note) if word]
    change = f" ({' '.join(look.change)})" if look.change else ""
    by = f" by {look.observer}" if look.observer else ""
    return f"{', '.join(place)}: {', '.join(seen) or 'no grade'}{by}{change}"
