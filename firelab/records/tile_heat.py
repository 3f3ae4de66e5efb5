"""Heat that a tile has had before a look: the firings, and what they count."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import Heat, counted, heat_before


def earlier_firings(looks: pd.DataFrame, series: FiringSeries) -> list[tuple[Heat, ...]]:
    """Return the firings of each look's tile before the look's own.

    Parameters
    ----------
    looks : DataFrame, n rows
        As `Records.looks`; where several people looked, the firing counts once.
    series : FiringSeries
        Its blank is what warms up.

    Returns
    -------
    list of tuple, n of them
        Temperature, degC, and time at heat, s, of each; empty where the look
        follows the tile's first firing.
    """
    firings = looks.drop_duplicates(["tile", "look"]).sort_values(["tile", "look"])
    if not firings["tile"].duplicated().any():
        return [()] * len(looks)
    look_of = zip(firings["tile"], firings["look"], strict=True)
    before = dict(zip(look_of, heat_before(series.blank, firings), strict=True))
    return [before[key] for key in zip(looks["tile"], looks["look"], strict=True)]


def at_one_temperature(graded: pd.DataFrame) -> pd.DataFrame:
    """Return the looks whose tile had all of its heat at the look's temperature.

    Parameters
    ----------
    graded : DataFrame
        As `Records.graded`.
    """
    rows = zip(graded["before"], graded["temperature_degC"], strict=True)
    same = [all(earlier == degC for earlier, _ in had) for had, degC in rows]
    return graded[np.array(same, dtype=bool)]


def counted_dwell(
    looks: pd.DataFrame, series: FiringSeries, *, doubling_degC: float | None = None
) -> pd.Series[float]:
    """Return the dwell of each look's tile up to it, as counted at its temperature, s.

    Parameters
    ----------
    looks : DataFrame, n rows
        As `Records.looks`.
    series : FiringSeries
    doubling_degC : float, optional
        Degrees that doubling the dwell is worth; by default as the series expects.

    Returns
    -------
    Series, n rows
        See `firelab.series.heat_counted`.
    """
    doubling = series.priors.doubling if doubling_degC is None else doubling_degC
    had = earlier_firings(looks, series)
    if not any(had):
        return looks["dwell_s"].astype("float64")
    rows = zip(had, looks["temperature_degC"], looks["dwell_s"], strict=True)
    found = [
        counted(series.blank, before, float(degC), float(dwell), doubling)
        for before, degC, dwell in rows
    ]
    return pd.Series(found, index=looks.index, dtype="float64")
