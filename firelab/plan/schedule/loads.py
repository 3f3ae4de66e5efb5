"""Which tiles share a load: one temperature, at most the kiln's places."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.plan.plan import SETTING_COLUMNS

IntArray = NDArray[np.int64]

_MOST_APART = 3
"""Loads of one temperature at most, where repeats are kept apart (chosen here, no
source)."""


def _keys(settings: pd.DataFrame) -> list[tuple[float | int | str, ...]]:
    return list(settings[list(SETTING_COLUMNS)].itertuples(index=False, name=None))


def _loads_of_temperature(
    sizes: list[int], repeats: list[int], places: int, most_loads: int | None
) -> list[int]:
    """Return how many loads each temperature gets.

    As few as its tiles need; where the budget has room, one for each repeat of
    a setting, three at most, and two at least, so that a load can be told from a
    temperature.
    """
    few = [math.ceil(size / places) for size in sizes]
    for wish in (
        [
            max(least, min(again, _MOST_APART), min(2, size))
            for least, again, size in zip(few, repeats, sizes, strict=True)
        ],
        [
            max(least, min(again, _MOST_APART))
            for least, again in zip(few, repeats, strict=True)
        ],
    ):
        if most_loads is not None and sum(wish) <= most_loads:
            return wish
    return few


def _deal(
    rows: pd.DataFrame, n_loads: int, rng: np.random.Generator
) -> list[NDArray[np.int64]]:
    """Deal rows to loads in turn, equal settings one after the other."""
    keys = _keys(rows)
    distinct = list(dict.fromkeys(keys))
    turn = {distinct[old]: new for new, old in enumerate(rng.permutation(len(distinct)))}
    ordered = np.array(sorted(range(len(rows)), key=lambda place: turn[keys[place]]))
    labels = rows.index.to_numpy(dtype=np.int64)
    return [labels[ordered[first::n_loads]] for first in range(n_loads)]


def group_into_loads(
    settings: pd.DataFrame,
    *,
    places: int,
    most_loads: int | None,
    rng: np.random.Generator,
    apart: bool = True,
) -> IntArray:
    """Return the load of each row, from 0, in no order of firing yet.

    Parameters
    ----------
    settings : DataFrame, n rows
        As a `Proposal` holds, index 0 to n - 1; its ``plot`` column, where
        there is one, already names the loads.
    places : int
        Tiles that fit into one load.
    most_loads : int or None
        The budget's loads.
    rng : numpy.random.Generator
        Decides which of several settings share a load.
    apart : bool, default True
        Use spare loads of the budget to keep repeats apart.

    Returns
    -------
    ndarray of int, shape (n,)
        One temperature per load, at most `places` rows each; repeats of one
        setting stand in different loads where the loads suffice.
    """
    if "plot" in settings:
        return np.unique(settings["plot"].to_numpy(), return_inverse=True)[1].astype(
            np.int64
        )
    groups = [rows for _, rows in settings.groupby("temperature_degC", sort=True)]
    repeats = [max(pd.Series(_keys(rows)).value_counts()) for rows in groups]
    sizes = [len(rows) for rows in groups]
    if apart:
        counts = _loads_of_temperature(sizes, repeats, places, most_loads)
    else:
        counts = [math.ceil(size / places) for size in sizes]
    loads = np.zeros(len(settings), dtype=np.int64)
    load = 0
    for rows, n_loads in zip(groups, counts, strict=True):
        for members in _deal(rows, n_loads, rng):
            loads[members] = load
            load += 1
    return loads
