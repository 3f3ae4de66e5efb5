"""What firings at other temperatures count at one temperature."""

from __future__ import annotations

from collections.abc import Iterable


def dwell_worth(
    firings: Iterable[tuple[float, float]], temperature_degC: float, doubling_degC: float
) -> float:
    """Return the dwell at a temperature that brings as much heat as some firings, s.

    Parameters
    ----------
    firings : iterable of (float, float)
        Temperature, degC, and dwell, s, of each.
    temperature_degC : float
        Where they are to count.
    doubling_degC : float
        Degrees that doubling the dwell is worth.

    Examples
    --------
    >>> dwell_worth([(760.0, 120.0)], 790.0, 30.0)
    60.0
    """
    return float(
        sum(
            dwell * 2.0 ** ((degC - temperature_degC) / doubling_degC)
            for degC, dwell in firings
        )
    )
