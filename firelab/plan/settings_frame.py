"""Frames of settings: the five factors, one row per test firing."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.series.factors import COLUMN_OF, FACTORS
from firelab.series.firing_series import FiringSeries

SETTING_COLUMNS: tuple[str, ...] = tuple(COLUMN_OF[name] for name in FACTORS)
"""``temperature_degC, dwell_s, mesh, layers, base``."""

SETTING_DTYPES = {
    "temperature_degC": "float64",
    "dwell_s": "float64",
    "mesh": "int64",
    "layers": "int64",
    "base": "str",
}


def as_settings(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the setting columns of a frame with their dtypes, rows renumbered."""
    return frame[list(SETTING_COLUMNS)].astype(SETTING_DTYPES).reset_index(drop=True)


def all_settings(series: FiringSeries) -> pd.DataFrame:
    """Return every combination of the stated levels; ranges give their two ends."""
    levels = [series.factors.levels(name) for name in FACTORS]
    return as_settings(pd.DataFrame(list(product(*levels)), columns=SETTING_COLUMNS))


def is_allowed(series: FiringSeries, settings: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which rows no rule of the series forbids, shape (n,)."""
    allowed = np.ones(len(settings), dtype=bool)
    for rule in series.rules:
        allowed &= ~rule.forbids(settings)
    return allowed
