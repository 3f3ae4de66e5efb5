"""What each look at a tile stands for: the heat it has had, the load, the tile."""

from __future__ import annotations

import pandas as pd

from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import counted, heat_before


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


def _counted(own: pd.DataFrame, series: FiringSeries) -> list[float]:
    rows = zip(
        heat_before(series.blank, own), own["temperature_degC"], own["dwell_s"], strict=True
    )
    return [counted(series.blank, *row, series.priors.doubling) for row in rows]
