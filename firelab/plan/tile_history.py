"""What each planned firing finds: the dwell a tile has had, and where it had it."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from firelab.plan.plan import is_allowed
from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import heat_before, time_there
from firelab.series.kiln_settings import DWELL_DECIMALS, TEMPERATURE_DECIMALS
from firelab.series.rules import Rule


def dwell_at_temperature(series: FiringSeries, tiles: pd.DataFrame) -> pd.Series[float]:
    """Return the dwell that each row's tile has had at that row's temperature, s.

    Parameters
    ----------
    series : FiringSeries
        Its blank warms up anew in every firing.
    tiles : DataFrame, n rows
        Rows of a plan; ``tile, order, temperature_degC, dwell_s`` are read.

    Returns
    -------
    Series, n rows
        The row's own dwell, and the tile's earlier ones at the same temperature
        less their warming up; those at other temperatures are left out.
    """
    ordered = tiles.sort_values("order", kind="stable")
    rows = zip(
        heat_before(series.blank, ordered),
        ordered["temperature_degC"],
        ordered["dwell_s"],
        strict=True,
    )
    found = [time_there(had, degC) + dwell for had, degC, dwell in rows]
    return pd.Series(found, index=ordered.index, dtype="float64").reindex(tiles.index)


def broken_rules(series: FiringSeries, tiles: pd.DataFrame) -> Iterator[tuple[int, Rule]]:
    """Name each row that a rule forbids, with the first such rule.

    A rule speaks of a dwell at a temperature. It is held against the whole dwell
    that the tile has had at the row's temperature: a tile pulled and fired on
    there breaks what one long firing would break, and what it had at another
    temperature is judged in the row that gave it.

    Parameters
    ----------
    series : FiringSeries
        Its rules.
    tiles : DataFrame
        Rows of a plan without control tiles.
    """
    seen = tiles.assign(dwell_s=dwell_at_temperature(series, tiles))
    for row in seen.index[~is_allowed(series, seen)]:
        broken = [rule for rule in series.rules if rule.forbids(seen.loc[[row]])[0]]
        yield int(row), broken[0]


def met_before(tiles: pd.DataFrame) -> pd.Series[bool]:
    """Tell which rows bring a tile to where another tile was brought before.

    What counts is all that was done to the tile: mesh, layers, base, and its
    firings in order. A tile fired on is no repeat of a new tile fired for longer.

    Parameters
    ----------
    tiles : DataFrame, n rows
        Rows of a plan without control tiles.
    """
    had: dict[str, tuple[tuple[float, float], ...]] = {}
    met = {}
    seen = set()
    columns = ("tile", "temperature_degC", "dwell_s", "mesh", "layers", "base")
    ordered = tiles.sort_values("order", kind="stable")
    for row, tile, degC, dwell, *mix in zip(
        ordered.index, *(ordered[name].tolist() for name in columns), strict=True
    ):
        here = (round(degC, TEMPERATURE_DECIMALS), round(dwell, DWELL_DECIMALS))
        had[tile] = (*had.get(tile, ()), here)
        done = (*mix, had[tile])
        met[row] = done in seen
        seen.add(done)
    return pd.Series(met, dtype=bool).reindex(tiles.index)
