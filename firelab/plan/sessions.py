"""Which loads share a session, and in which order everything is fired."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.series.firing_series import FiringSeries


def _deal_to_sessions(
    temperatures: list[float], n_sessions: int, rng: np.random.Generator
) -> list[list[int]]:
    """Deal loads to sessions in turn, the loads of one temperature apart."""
    distinct = sorted(set(temperatures))
    turn = {distinct[old]: new for new, old in enumerate(rng.permutation(len(distinct)))}
    ordered = sorted(range(len(temperatures)), key=lambda load: turn[temperatures[load]])
    first = rng.permutation(n_sessions)
    return [ordered[start::n_sessions] for start in first]


def schedule_loads(
    series: FiringSeries, temperatures: list[float], rng: np.random.Generator
) -> list[tuple[int, int]]:
    """Return the loads in firing order, each as (session from 1, load).

    Parameters
    ----------
    series : FiringSeries
        Its budget says how many loads a session holds, its plan the order.
    temperatures : list of float, length m
        Of each load, degC.
    rng : numpy.random.Generator
        Deals loads to sessions and, where asked, orders them at random.
    """
    per_session = series.budget.session_loads or len(temperatures)
    n_sessions = math.ceil(len(temperatures) / per_session)
    scheduled = []
    sessions = _deal_to_sessions(temperatures, n_sessions, rng)
    for session, members in enumerate(sessions, start=1):
        shuffled = [members[place] for place in rng.permutation(len(members))]
        if series.plan.order == "low to high":
            shuffled.sort(key=lambda load: temperatures[load])
        scheduled += [(session, load) for load in shuffled]
    return scheduled


def fire_in_order(
    series: FiringSeries,
    settings: pd.DataFrame,
    loads: NDArray[np.int64],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the settings in firing order with ``session``, ``load`` and ``order``.

    Parameters
    ----------
    series : FiringSeries
        Fixes sessions and order.
    settings : DataFrame, n rows
        As a `Proposal` holds.
    loads : ndarray of int, shape (n,)
        Load of each row; see ``group_into_loads``.
    rng : numpy.random.Generator
        Source of the random order, within loads too.
    """
    temperature = settings["temperature_degC"].to_numpy()
    temperatures = [float(temperature[loads == one][0]) for one in np.unique(loads)]
    pieces = []
    scheduled = schedule_loads(series, temperatures, rng)
    for number, (session, load) in enumerate(scheduled, start=1):
        members = np.flatnonzero(loads == load)
        rows = settings.iloc[rng.permutation(members)]
        pieces.append(rows.assign(session=session, load=number))
    fired = pd.concat(pieces, ignore_index=True)
    return fired.assign(order=np.arange(1, len(fired) + 1))
