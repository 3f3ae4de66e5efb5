"""What each look at a tile stands for: the heat it has had, the load, the tile."""

from __future__ import annotations

import pandas as pd

from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import Heat, counted, time_at_heat


def seen_settings(series: FiringSeries, tiles: pd.DataFrame) -> pd.DataFrame:
    """Return the test rows of a plan with ``dwell_s`` as the dwell of the tile so far.

    Control tiles are left out. Several firings of one tile add up in the order of
    their ``order``, as `firelab.series.heat_counted` counts them.

    Parameters
    ----------
    series : FiringSeries
        Its expectation says what doubling the dwell is worth.
    tiles : DataFrame
        Rows of a plan.
    """
    own = tiles[tiles["role"] != "control"].sort_values("order")
    if own["tile"].duplicated().any():
        own = own.assign(dwell_s=_counted(own, series))
    return own.reset_index(drop=True)


def _counted(own: pd.DataFrame, series: FiringSeries) -> pd.Series[float]:
    had: dict[str, tuple[Heat, ...]] = {}
    found, worth, blank = [], series.priors.doubling, series.blank
    columns = ("tile", "temperature_degC", "dwell_s")
    for tile, degC, dwell in zip(*(own[name].tolist() for name in columns), strict=True):
        before = had.get(tile, ())
        found.append(counted(blank, before, degC, dwell, worth))
        had[tile] = (*before, *time_at_heat(blank, [(degC, dwell)]))
    return pd.Series(found, index=own.index, dtype="float64")
