"""A control tile of a known colour in every session."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.settings_frame import as_settings
from firelab.series.firing_series import FiringSeries

_SAME_DEGC = 0.011


def control_setting(series: FiringSeries) -> pd.DataFrame:
    """Return the one setting of the control tile, no row where there is none."""
    control = series.plan.control
    rows = []
    if control is not None:
        rows = [
            (control.temperature, control.dwell, control.mesh, control.layers, control.base)
        ]
    names = ["temperature_degC", "dwell_s", "mesh", "layers", "base"]
    return as_settings(pd.DataFrame(rows, columns=names))


def add_control_tiles(
    series: FiringSeries, fired: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Return scheduled rows with a control tile in each session.

    It takes a free place of a load at its own temperature; where a session has
    none, it gets a load of its own.

    Parameters
    ----------
    series : FiringSeries
        Its plan names the control tile, or none.
    fired : DataFrame
        Settings with ``session, load, order``; see ``fire_in_order``.
    rng : numpy.random.Generator
        Places a load of its own in the session.

    Returns
    -------
    DataFrame
        Loads and order numbered anew, with a column ``is_control``.
    """
    marked = fired.assign(is_control=False)
    setting = control_setting(series)
    if not len(setting):
        return marked
    degC = float(setting["temperature_degC"].iloc[0])
    loads = [rows for _, rows in marked.groupby("load", sort=True)]
    ordered: list[pd.DataFrame] = []
    for session in sorted(set(marked["session"])):
        own = [rows for rows in loads if rows["session"].iloc[0] == session]
        tile = setting.assign(session=session, is_control=True)
        ordered += _with_control(series, own, tile, degC, rng)
    numbered = [rows.assign(load=number) for number, rows in enumerate(ordered, start=1)]
    joined = pd.concat(numbered, ignore_index=True)
    return joined.assign(order=np.arange(1, len(joined) + 1))


def _with_control(
    series: FiringSeries,
    own: list[pd.DataFrame],
    tile: pd.DataFrame,
    degC: float,
    rng: np.random.Generator,
) -> list[pd.DataFrame]:
    """Return the loads of one session with the control tile in one of them."""
    for place, rows in enumerate(own):
        near = abs(float(rows["temperature_degC"].iloc[0]) - degC) < _SAME_DEGC
        if near and len(rows) < series.budget.places:
            joined = pd.concat([rows, tile], ignore_index=True)
            return [*own[:place], joined, *own[place + 1 :]]
    where = int(rng.integers(len(own) + 1))
    if series.plan.order == "low to high":
        where = sum(float(rows["temperature_degC"].iloc[0]) < degC for rows in own)
    elif "climb" in own[0]:
        where = 0
    return [*own[:where], tile, *own[where:]]


def sessions_overfull(series: FiringSeries, fired: pd.DataFrame) -> bool:
    """Tell whether a session has more loads than it holds."""
    holds = series.budget.session_loads
    if holds is None:
        return False
    return bool((fired.groupby("session")["load"].nunique() > holds).any())
