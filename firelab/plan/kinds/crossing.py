"""A design of temperature and dwell, fired at every mix of the other factors."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from firelab.plan.settings_frame import as_settings
from firelab.series.factors import COLUMN_OF, FACTORS, FactorName
from firelab.series.firing_series import FiringSeries


def other_mixes(series: FiringSeries, designed: Sequence[FactorName]) -> pd.DataFrame:
    """Return every mix of the factors that are not in a design, one row each."""
    mixes = pd.DataFrame({"_": [0]})
    for name in FACTORS:
        if name not in designed:
            levels = pd.DataFrame({COLUMN_OF[name]: list(series.factors.levels(name))})
            mixes = mixes.merge(levels, how="cross")
    return mixes.drop(columns="_")


def cross_with_mixes(
    series: FiringSeries, designed: Sequence[FactorName], points: pd.DataFrame
) -> pd.DataFrame:
    """Return the points of a design at every mix of the other factors.

    Parameters
    ----------
    series : FiringSeries
    designed : sequence of str
        Factors of the design.
    points : DataFrame
        Their columns of ``plan.csv``, one row per point.
    """
    mixes = other_mixes(series, designed)
    if not len(mixes.columns):
        return as_settings(points)
    return as_settings(points.merge(mixes, how="cross"))
