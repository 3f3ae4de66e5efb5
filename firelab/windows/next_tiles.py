"""The next load to fire: the tiles that shrink the edges most per kiln hour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.units import format_duration, format_temperature
from firelab.errors import UsageError
from firelab.fits.stage import StageFit
from firelab.fits.stage_draws import StageDraws
from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.terms import model_matrix
from firelab.windows.affordable import (
    LoadHours,
    Purse,
    candidate_temperatures,
    candidate_tiles,
    tile_grams,
    what_is_left,
)
from firelab.windows.edge_variance import EdgeDoubt, edge_doubt
from firelab.windows.load_information import LoadSoFar, TileInformation, tile_information
from firelab.windows.window import FiringWindows

SCHEMA = "firelab/next/1"

_DRAWS = 48
_LEAST_GAIN = 0.02
NEXT_COLUMNS = (
    "load",
    "temperature_degC",
    "dwell_s",
    "mesh",
    "grain_um",
    "layers",
    "base",
)
"""Columns of ``next.csv``: one row per tile, `load` counted from 1."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextTiles:
    """What to fire next, or why to stop.

    Attributes
    ----------
    tiles : DataFrame
        Columns `NEXT_COLUMNS`; empty where firing should stop. Use `table`.
    stop : str or None
        Why to stop, in words; None where a load is worth firing.
    stop_code : {'assured', 'spent', 'no-gain'} or None
    edges : DataFrame
        One row per edge: ``mesh, layers, base, dwell_s, side, width_degC``
        now, and ``expected_degC`` after the tiles.
    hours : float
        Kiln hours of the tiles, preparation included.
    level : float
        Of the intervals whose width is told.
    provenance : Provenance
    """

    tiles: pd.DataFrame
    stop: str | None
    stop_code: str | None
    edges: pd.DataFrame
    hours: float
    level: float
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the tiles."""
        return self.tiles.copy()

    def summary(self) -> str:
        """Return what to fire next as lines for a terminal."""
        if self.stop:
            return f"fire no more: {self.stop}"
        lines = []
        for load, rows in self.tiles.groupby("load"):
            degC = float(rows["temperature_degC"].iloc[0])
            tiles = "; ".join(_said(row) for row in rows.to_dict("records"))
            lines.append(f"next load {load}: {format_temperature(degC)}, {tiles}")
        now, then = self.edges["width_degC"].mean(), self.edges["expected_degC"].mean()
        lines.append(
            f"expected: {self.level:.0%} intervals of the edges from {now:.0f} to "
            f"{then:.0f} degC wide on average, for {self.hours:.1f} kiln hours"
        )
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the choice as plain values."""
        return {
            "schema": SCHEMA,
            "tiles": self.tiles.to_dict("records"),
            "stop": self.stop,
            "stop_code": self.stop_code,
            "edges": self.edges.to_dict("records"),
            "hours": self.hours,
            "level": self.level,
            "provenance": self.provenance.to_dict(),
        }


def _said(row: dict[Any, Any]) -> str:
    coats = "coat" if row["layers"] == 1 else "coats"
    under = "" if row["base"] == "none" else f" over {row['base']}"
    said = format_duration(row["dwell_s"])
    return f"{said} {row['mesh']} mesh, {row['layers']} {coats}{under}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Filled:
    """One load filled at one temperature."""

    tiles: pd.DataFrame
    information: np.ndarray[Any, np.dtype[np.float64]]
    purse: Purse
    hours: float
    gain_per_hour: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Room:
    """What a load may hold, and what it costs."""

    places: int
    purse: Purse
    load_hours: LoadHours


def next_tiles(
    fit: StageFit,
    plan: Plan,
    *,
    windows: FiringWindows | None = None,
    n_loads: int = 1,
    places: int | None = None,
) -> NextTiles:
    """Choose the next load, or loads, to fire.

    For every temperature that the kiln can be set to inside the series' range,
    a load is filled tile by tile; the load that takes most of the edges'
    posterior variance per kiln hour is chosen, and counted in before the next.

    Parameters
    ----------
    fit : StagePosterior
        Of the looks so far.
    plan : Plan
        What is planned, fired or not: it has taken its part of the budget.
    windows : FiringWindows, optional
        Where they hold an assured recipe, the answer is to stop.
    n_loads : int, default 1
        How many loads to choose.
    places : int, optional
        Tiles of each load; by default the kiln's places.

    Returns
    -------
    NextTiles

    Raises
    ------
    UsageError
        If the stage fit has no posterior draws.

    References
    ----------
    .. [1] Chaloner, K. and Verdinelli, I. (1995). Bayesian experimental design:
       a review. *Statistical Science*, 10(3), 273-304.
    """
    if not isinstance(fit, StagePosterior):
        raise UsageError(
            "the next tiles need posterior draws, and this stage fit has none",
            hint="fit with method 'posterior'",
        )
    series, doubt = fit.series, edge_doubt(fit)
    before = doubt.variance_after(np.zeros_like(doubt.precision))
    if windows is not None and any(window.recipe for window in windows.windows):
        return _stopped(fit, doubt, "a recipe is assured", "assured")
    purse, chosen, hours = what_is_left(series, plan), [], 0.0
    draws = fit.draws.thinned(_DRAWS)
    for load in range(1, n_loads + 1):
        if purse.spent_on:
            break
        filled = _best_load(
            series, draws, fit, doubt, purse, places or series.budget.places
        )
        if filled is None:
            break
        chosen.append(filled.tiles.assign(load=load))
        doubt, purse, hours = (
            doubt.after(filled.information),
            filled.purse,
            hours + filled.hours,
        )
    if not chosen:
        spent = purse.spent_on or "no powder is left for a tile of any setting"
        return _stopped(fit, doubt, spent, "spent")
    after = doubt.variance_after(np.zeros_like(doubt.precision))
    if 1.0 - after.sum() / before.sum() < _LEAST_GAIN:
        return _stopped(fit, doubt, "no affordable tile would move the edges", "no-gain")
    tiles = pd.concat(chosen, ignore_index=True)[list(NEXT_COLUMNS)]
    shrink = np.sqrt(after / before)
    return NextTiles(
        tiles=tiles,
        stop=None,
        stop_code=None,
        edges=_edge_table(doubt, shrink, series.window.level),
        hours=round(hours, 3),
        level=series.window.level,
        provenance=fit.provenance,
    )


def _stopped(fit: StagePosterior, doubt: EdgeDoubt, why: str, code: str) -> NextTiles:
    level = fit.series.window.level
    return NextTiles(
        tiles=pd.DataFrame(columns=list(NEXT_COLUMNS)),
        stop=why,
        stop_code=code,
        edges=_edge_table(doubt, np.ones(len(doubt.names)), level),
        hours=0.0,
        level=level,
        provenance=fit.provenance,
    )


def _edge_table(
    doubt: EdgeDoubt, shrink: np.ndarray[Any, np.dtype[np.float64]], level: float
) -> pd.DataFrame:
    frame = pd.DataFrame(
        [
            {**name.setting, "dwell_s": name.dwell_s, "side": name.side}
            for name in doubt.names
        ]
    )
    widths = doubt.widths(level)
    return frame.assign(width_degC=widths, expected_degC=widths * shrink)


def _best_load(
    series: FiringSeries,
    draws: StageDraws,
    fit: StagePosterior,
    doubt: EdgeDoubt,
    purse: Purse,
    places: int,
) -> _Filled | None:
    best: _Filled | None = None
    load_hours = LoadHours(series)
    for degC in candidate_temperatures(series):
        tiles = candidate_tiles(series, degC)
        if not len(tiles):
            continue
        information = tile_information(draws, model_matrix(series, tiles, fit.terms))
        room = _Room(places=places, purse=purse, load_hours=load_hours)
        filled = _fill(series, draws, doubt, tiles, information, room)
        if filled and (best is None or filled.gain_per_hour > best.gain_per_hour):
            best = filled
    return best


def _fill(
    series: FiringSeries,
    draws: StageDraws,
    doubt: EdgeDoubt,
    tiles: pd.DataFrame,
    information: TileInformation,
    room: _Room,
) -> _Filled | None:
    """Fill one load, each place with the tile that leaves least variance."""
    purse = room.purse
    load, taken = LoadSoFar.empty(draws), []
    mesh, grams = tiles["mesh"].to_numpy(), tile_grams(series, tiles)
    start = doubt.variance_after(load.expected()).sum()
    for _ in range(room.places):
        can = np.flatnonzero(purse.affords(mesh, grams)).tolist()
        if not can:
            break
        left = doubt.variance_after(load.expected_with_each(information.taken(can)))
        place = can[int(left.sum(axis=-1).argmin())]
        load = load.with_tile(information, place)
        purse = purse.without_tile(int(mesh[place]), float(grams[place]))
        taken.append(place)
    if not taken:
        return None
    kept = tiles.iloc[taken].sort_values(["dwell_s", "mesh", "layers", "base"])
    hours = room.load_hours(kept)
    gain = start - doubt.variance_after(load.expected()).sum()
    return _Filled(
        tiles=kept,
        information=load.expected(),
        purse=purse.without_load(hours),
        hours=hours,
        gain_per_hour=float(gain / hours),
    )
