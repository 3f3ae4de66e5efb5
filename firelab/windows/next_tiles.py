"""The next load to fire: the tiles that shrink the edges most per kiln hour."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.craft.setting_words import BARE, base_words, layers_words
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
from firelab.windows.edge_doubt import EdgeDoubt, edge_doubt
from firelab.windows.outcome_tree import Ways, grade_chances
from firelab.windows.window import FiringWindows

SCHEMA = "firelab/next/1"

_DRAWS = 400
_COARSE = 3
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
    coats = layers_words(int(row["layers"]))
    under = "" if row["base"] == BARE else f" {base_words(row['base'])}"
    return f"{format_duration(row['dwell_s'])} {row['mesh']} mesh, {coats}{under}"


FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ahead:
    """What looking ahead needs, all of it fixed while loads are chosen."""

    series: FiringSeries
    terms: tuple[str, ...]
    draws: StageDraws
    edges: FloatArray
    places: int
    load_hours: LoadHours


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Filled:
    """One load filled at one temperature."""

    tiles: pd.DataFrame
    ways: Ways
    purse: Purse
    hours: float
    gain_per_hour: float


def next_tiles(
    fit: StageFit,
    plan: Plan,
    *,
    windows: FiringWindows | None = None,
    n_loads: int = 1,
    places: int | None = None,
) -> NextTiles:
    """Choose the next load, or loads, to fire.

    For temperatures that the kiln can be set to inside the series' range, a
    load is filled tile by tile with the setting that leaves least of the edges'
    expected posterior variance; the load that takes most of it per kiln hour is
    chosen. A further load is chosen over every way in which the loads before
    it could turn out.

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
    .. [1] Lindley, D. V. (1956). On a measure of the information provided by an
       experiment. *Annals of Mathematical Statistics*, 27, 986-1005.
    .. [2] Chaloner, K. and Verdinelli, I. (1995). Bayesian experimental design:
       a review. *Statistical Science*, 10(3), 273-304.
    """
    if not isinstance(fit, StagePosterior):
        raise UsageError(
            "the next tiles need posterior draws, and this stage fit has none",
            hint="fit with method 'posterior'",
        )
    doubt = edge_doubt(fit)
    if windows is not None and any(window.recipe for window in windows.windows):
        return _stopped(fit, doubt, "a recipe is assured", "assured")
    ahead, purse = _look_ahead(fit, doubt, places), what_is_left(fit.series, plan)
    ways, chosen, hours = Ways.nothing_fired(ahead.draws.n_draws), [], 0.0
    before = ways.variance(ahead.edges)
    for load in range(1, n_loads + 1):
        filled = None if purse.spent_on else _best_load(ahead, ways, purse)
        if filled is None:
            break
        chosen.append(filled.tiles.assign(load=load))
        ways, purse, hours = filled.ways.next_load(), filled.purse, hours + filled.hours
    if not chosen:
        spent = purse.spent_on or "no powder is left for a tile of any setting"
        return _stopped(fit, doubt, spent, "spent")
    after = ways.variance(ahead.edges)
    if 1.0 - after.sum() / before.sum() < _LEAST_GAIN:
        return _stopped(fit, doubt, "no affordable tile would move the edges", "no-gain")
    return NextTiles(
        tiles=pd.concat(chosen, ignore_index=True)[list(NEXT_COLUMNS)],
        stop=None,
        stop_code=None,
        edges=_edge_table(doubt, np.sqrt(after / before), fit.series.window.level),
        hours=round(hours, 3),
        level=fit.series.window.level,
        provenance=fit.provenance,
    )


def _look_ahead(fit: StagePosterior, doubt: EdgeDoubt, places: int | None) -> _Ahead:
    count = min(_DRAWS, fit.draws.n_draws)
    kept = np.linspace(0, fit.draws.n_draws - 1, count).round().astype(np.int64)
    return _Ahead(
        series=fit.series,
        terms=fit.terms,
        draws=fit.draws.some(kept),
        edges=doubt.draws[kept],
        places=places or fit.series.budget.places,
        load_hours=LoadHours(fit.series),
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


def _edge_table(doubt: EdgeDoubt, shrink: FloatArray, level: float) -> pd.DataFrame:
    frame = pd.DataFrame(
        [
            {**name.setting, "dwell_s": name.dwell_s, "side": name.side}
            for name in doubt.names
        ]
    )
    widths = doubt.widths(level)
    return frame.assign(width_degC=widths, expected_degC=widths * shrink)


def _best_load(ahead: _Ahead, ways: Ways, purse: Purse) -> _Filled | None:
    """Search the temperatures coarsely, then finely about the best."""
    temperatures = candidate_temperatures(ahead.series)
    filled: dict[int, _Filled | None] = {}

    def best_of(places: Iterable[int]) -> int | None:
        for place in places:
            if place not in filled:
                filled[place] = _fill(ahead, ways, purse, temperatures[place])
        found = [(one.gain_per_hour, place) for place, one in filled.items() if one]
        return max(found)[1] if found else None

    best = best_of(range(0, len(temperatures), _COARSE))
    if best is None:
        best = best_of(range(len(temperatures)))
    if best is None:
        return None
    near = range(max(0, best - _COARSE + 1), min(len(temperatures), best + _COARSE))
    return filled[best_of(near) or best]


def _fill(ahead: _Ahead, ways: Ways, purse: Purse, degC: float) -> _Filled | None:
    """Fill one load, each place with the tile that leaves least variance."""
    tiles, taken = candidate_tiles(ahead.series, degC), []
    if not len(tiles):
        return None
    chances = grade_chances(ahead.draws, model_matrix(ahead.series, tiles, ahead.terms))
    mesh, grams = tiles["mesh"].to_numpy(), tile_grams(ahead.series, tiles)
    start = left = ways.variance(ahead.edges).sum()
    for _ in range(ahead.places):
        can = np.flatnonzero(purse.affords(mesh, grams))
        if not len(can):
            break
        each = ways.variance_with_each(chances[:, can], ahead.edges).sum(axis=1)
        place = int(can[int(each.argmin())])
        left = each.min()
        ways = ways.with_tile(chances[:, place])
        purse = purse.without_tile(int(mesh[place]), float(grams[place]))
        taken.append(place)
    if not taken:
        return None
    kept = tiles.iloc[taken].sort_values(["dwell_s", "mesh", "layers", "base"])
    hours = ahead.load_hours(kept)
    return _Filled(
        tiles=kept,
        ways=ways,
        purse=purse.without_load(hours),
        hours=hours,
        gain_per_hour=float((start - left) / hours),
    )
