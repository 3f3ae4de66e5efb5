r"""What the firings of a tile count as one dwell at one temperature.

A tile that was fired before and is fired on at a temperature :math:`T` stands
where one firing at :math:`T` would have brought it, of the dwell

.. math:: w(T) + \sum_i (d_i - w(T_i))^+\, 2^{(T_i - T)/\delta}

with :math:`\delta` degC worth a doubling of the dwell and :math:`w` the seconds
that warming up takes: each firing warms the cold tile up anew, one long firing
does it once.
"""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from firelab.craft.heating import equivalent_dwell
from firelab.series.factors import same_temperature
from firelab.series.firing_series import Blank

Heat = tuple[float, float]
"""Temperature, degC, and time at heat, s: the dwell less the warming up."""


def time_at_heat(blank: Blank, firings: Iterable[tuple[float, float]]) -> tuple[Heat, ...]:
    """Return firings, degC and s of dwell, with their time at heat."""
    return tuple((degC, blank.time_at_heat(degC, dwell)) for degC, dwell in firings)


def heat_before(blank: Blank, firings: pd.DataFrame) -> list[tuple[Heat, ...]]:
    """Return the heat that each firing's tile has had before it.

    Parameters
    ----------
    blank : Blank
    firings : DataFrame, n rows
        ``tile, temperature_degC, dwell_s``, each tile's in their order.
    """
    had: dict[str, tuple[Heat, ...]] = {}
    found = []
    columns = (firings[name].tolist() for name in ("tile", "temperature_degC", "dwell_s"))
    for tile, degC, dwell in zip(*columns, strict=True):
        before = had.get(tile, ())
        found.append(before)
        had[tile] = (*before, (degC, blank.time_at_heat(degC, dwell)))
    return found


def time_there(heat: Iterable[Heat], temperature_degC: float) -> float:
    """Return the time at heat, s, that was spent at a temperature."""
    there = (hot for degC, hot in heat if same_temperature(degC, temperature_degC))
    return float(sum(there))


def counted(
    blank: Blank,
    before: tuple[Heat, ...],
    temperature_degC: float,
    dwell_s: float,
    doubling_degC: float,
) -> float:
    """Return the dwell that a firing and those before it count, s.

    Parameters
    ----------
    blank : Blank
        What warms up.
    before : tuple of (float, float)
        Time at heat of the earlier firings; where there is none the dwell counts
        as it is.
    temperature_degC, dwell_s : float
        Of the firing.
    doubling_degC : float
        Degrees that doubling the dwell is worth.

    Examples
    --------
    >>> blank = Blank(warm_up=30.0)
    >>> before = time_at_heat(blank, [(760.0, 150.0)])
    >>> counted(blank, before, 790.0, 90.0, 30.0), counted(blank, (), 790.0, 90.0, 30.0)
    (150.0, 90.0)
    """
    if not before:
        return dwell_s
    own = max(dwell_s, blank.warm_up_s(temperature_degC))
    return own + equivalent_dwell(before, temperature_degC, doubling_degC)
