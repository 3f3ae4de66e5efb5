"""Tiles that could be fired on: which, and what their next look would tell.

A tile that is not over-fired can take a free place of a later load. It costs no
blank and no powder, and its deviation from other tiles is known in part from
its looks so far: so it tells more of the setting than its first look did, and
less than a new tile where tiles differ much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.fits.ordinal.added_heat import latent_grades
from firelab.fits.ordinal.likelihood import grade_ends, normal_points
from firelab.fits.ordinal.links import LARGEST_EXPONENT, Link, link_named
from firelab.fits.ordinal.priors import first_look_spread, tile_scale
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import Plan, is_allowed
from firelab.records.planned_firings import tiles_as_planned
from firelab.series.firing_series import FiringSeries
from firelab.series.heat_counted import counted, time_at_heat, time_there
from firelab.windows.firing_odds import candidate_dwells
from firelab.windows.sequential.outcome_tree import (
    LOAD_POINTS,
    cuts_with_load,
    grade_differences,
)

MOST_FIRINGS = 3
"""Test firings of one tile, the first included (common practice, no source)."""
_REACH, _POINTS = 3.6, 13
"""Ends and number of the points of a tile's deviation, standard deviations; 2e-3 of a
probability up to a deviation of 2 latent units (a test holds it so)."""
_DWELLS = 4
"""Candidate dwells of a further firing (chosen here, no source)."""
_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
"""Step of a sequence that fills 0 to 1 evenly from any place on (Weyl 1916)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FiredTiles:
    """Tiles that could be fired on, T of them.

    Attributes
    ----------
    series : FiringSeries
    terms : tuple of str
    table : DataFrame, T rows
        ``tile, mesh, grain_um, layers, base``, ``grade`` (its place on the
        scale), ``before``, the heat of all its firings so far, and ``planned``,
        the same firings as planned.
    draws : StageDraws
        S draws, with a deviation between tiles.
    share : ndarray, shape (S, T, P)
        Of each point of a standard normal deviation, given the tile's looks.
    """

    series: FiringSeries
    terms: tuple[str, ...]
    table: pd.DataFrame
    draws: StageDraws
    share: FloatArray

    def without(self, tiles: set[str]) -> FiredTiles:
        """Return the same with some tiles left out: they are in a load already."""
        kept = ~self.table["tile"].isin(tiles).to_numpy()
        table = self.table[kept].reset_index(drop=True)
        return replace(self, table=table, share=self.share[:, kept])

    def firings_at(self, temperature_degC: float) -> pd.DataFrame:
        """Return each tile with each dwell that a load at a temperature could add.

        Columns of `candidate_tiles`, ``tile``, and those of `Records.graded`
        that tell its heat. What a rule forbids is left out: it speaks of the
        dwell at that temperature.
        """
        dwells = candidate_dwells(self.series)
        even = np.linspace(0, len(dwells) - 1, min(_DWELLS, len(dwells))).round()
        frame = self.table.merge(
            pd.DataFrame({"own_dwell_s": [dwells[int(place)] for place in even]}),
            how="cross",
        ).assign(temperature_degC=temperature_degC)
        fired = zip(frame["planned"], frame["own_dwell_s"], strict=True)
        there = [dwell + time_there(had, temperature_degC) for had, dwell in fired]
        allowed = is_allowed(self.series, frame.assign(dwell_s=there))
        frame = frame[allowed].reset_index(drop=True)
        worth, blank = self.series.priors.doubling, self.series.blank
        fired = zip(frame["before"], frame["own_dwell_s"], strict=True)
        dwells_s = [counted(blank, had, temperature_degC, d, worth) for had, d in fired]
        return frame.assign(dwell_s=np.array(dwells_s, dtype=float))

    def chances(self, firings: pd.DataFrame) -> FloatArray:
        """Return the chance of each grade at the next look, shape (S, n, J, Q)."""
        draws, link = self.draws, link_named(self.draws.link)
        eta = latent_grades(
            self.series, draws.coefficients, draws.lost, firings, self.terms
        )
        cuts = cuts_with_load(draws, eta)
        place = pd.Index(self.table["tile"]).get_indexer(pd.Index(firings["tile"]))
        moves = draws.tile_sd[:, None] * _even_points()[0]
        below = _mean_below(link, cuts, moves, self.share[:, place])
        # A tile never goes back: what lies below its grade is no outcome.
        grade = firings["grade"].to_numpy(dtype=np.int64)
        behind = np.arange(draws.thresholds.shape[1]) < grade[:, None]
        below[:, behind] = 0.0
        return grade_differences(below)


_AT_ONCE = 1 << 14
"""Cuts that are averaged together, so that what is passed over once a point stays in the
processor's cache; two thirds of the time of all 400 draws at once (measured here)."""


def _mean_below(
    link: Link, cuts: FloatArray, moves: FloatArray, share: FloatArray
) -> FloatArray:
    """Return the mean of F(cuts - move) over moves (S, P) with shares (S, n, P).

    The logistic of a difference needs no exponential of its own: ``1 / (1 + c / m)`` is
    ``m / (m + c)``, with one factor of the cut and one of the move.
    """
    below = np.zeros_like(cuts)
    limit = LARGEST_EXPONENT
    step = max(1, _AT_ONCE // max(1, cuts[:1].size))
    for first in range(0, len(cuts), step):
        block = slice(first, first + step)
        cut, move = cuts[block], moves[block, :, None, None, None]
        if link.name == "logit":
            grown = np.exp(np.clip(-cut, -limit, limit))
            factors = np.exp(np.clip(-move, -limit, limit))
            odds = np.empty_like(grown)
        for at in range(moves.shape[1]):
            part = share[block, :, at, None, None]
            if link.name == "logit":
                factor = factors[:, at]
                np.add(grown, factor, out=odds)
                below[block] += np.divide(part * factor, odds, out=odds)
            else:
                below[block] += part * link.cdf(cut - move[:, at])
    return below


def tiles_to_fire_on(fit: StagePosterior, plan: Plan, draws: StageDraws) -> FiredTiles:
    """Return the tiles of a plan that could be fired on.

    Those that were fired and graded as planned, last below the last grade, have
    no defect, and were fired fewer than `MOST_FIRINGS` times.

    Parameters
    ----------
    fit : StagePosterior
    plan : Plan
        A tile that waits for a planned firing is left out.
    draws : StageDraws
        Of the fit, S of them.
    """
    looks = fit.looks.assign(place=fit.looks["stage"].cat.codes.astype(np.int64))
    last = looks.sort_values(["tile", "look"], kind="stable").groupby("tile").tail(1)
    spoilt = set(looks.loc[looks["defects"].astype(str).str.strip() != "", "tile"])
    can = (
        last["tile"].isin(tiles_as_planned(plan, looks))
        & (last["look"] == last["last_look"])
        & (last["look"] < MOST_FIRINGS)
        & (last["place"] < len(fit.grades) - 1)
        & ~last["tile"].isin(spoilt)
    )
    kept = last[can].reset_index(drop=True)
    table = kept[["tile", "mesh", "grain_um", "layers", "base"]].assign(
        grade=kept["place"],
        before=_heat_so_far(fit.series, kept),
        planned=_heat_planned(fit.series, plan, kept["tile"]),
    )
    apart = with_tile_deviation(draws, tile_scale(fit.series.priors, draws.link))
    return FiredTiles(
        series=fit.series,
        terms=fit.terms,
        table=table,
        draws=apart,
        share=_deviation_given_looks(fit, apart, looks, list(table["tile"])),
    )


def _heat_so_far(series: FiringSeries, looks: pd.DataFrame) -> pd.Series[Any]:
    columns = ("before", "temperature_degC", "own_dwell_s")
    rows = zip(*(looks[name] for name in columns), strict=True)
    heat = [
        (*had, *time_at_heat(series.blank, [(degC, dwell)])) for had, degC, dwell in rows
    ]
    return pd.Series(heat, looks.index, "object")


def _heat_planned(
    series: FiringSeries, plan: Plan, tiles: pd.Series[str]
) -> pd.Series[Any]:
    ordered = plan.tiles.sort_values("order")
    rows = [ordered[ordered["tile"] == tile] for tile in tiles]
    fired = [zip(one["temperature_degC"], one["dwell_s"], strict=True) for one in rows]
    heat = [time_at_heat(series.blank, one) for one in fired]
    return pd.Series(heat, tiles.index, "object")


def _even_points() -> tuple[FloatArray, FloatArray]:
    """Return evenly spaced points of a standard normal and their weights, (P,) each.

    Where tiles differ much, grades change fast from point to point, and these hold
    where Gauss-Hermite points do not (Trefethen and Weideman 2014).
    """
    points = np.linspace(-_REACH, _REACH, _POINTS)
    weights = np.exp(-0.5 * points**2)
    return points, weights / weights.sum()


def with_tile_deviation(draws: StageDraws, scale: float) -> StageDraws:
    """Return draws with a deviation between tiles.

    A fit without a second look at any tile cannot tell how much of a tile's
    deviation is its own. It is then drawn from its prior, half-normal of that
    scale, latent units, and the rest is spread so that a first look has the same chances.
    """
    if draws.tile_sd.any():
        return draws
    evenly = (0.5 + _GOLDEN * np.arange(draws.n_draws)) % 1.0
    tile_sd = -scale * link_named("probit").quantile(evenly / 2.0)
    wider = first_look_spread(tile_sd, draws.link)
    return replace(
        draws,
        thresholds=draws.thresholds * wider[:, None],
        coefficients=draws.coefficients * wider[:, None],
        load_sd=draws.load_sd * wider,
        place_sd=draws.place_sd * wider,
        tile_sd=tile_sd,
    )


def _deviation_given_looks(
    fit: StagePosterior, draws: StageDraws, looks: pd.DataFrame, tiles: list[str]
) -> FloatArray:
    """Return the share of each point of a tile's deviation, shape (S, T, P)."""
    points, weights = _even_points()
    share = np.broadcast_to(weights, (draws.n_draws, len(tiles), _POINTS)).copy()
    number = {tile: place for place, tile in enumerate(tiles)}
    seen = looks[looks["tile"].isin(tiles)]
    if not len(seen):
        return share
    eta = latent_grades(fit.series, draws.coefficients, draws.lost, seen, fit.terms)
    grade = seen["place"].to_numpy(dtype=np.int64)
    lower, upper = grade_ends(grade, draws.thresholds, eta)
    link = link_named(draws.link)
    for place, tile in enumerate(seen["tile"]):
        likely = np.zeros((draws.n_draws, _POINTS))
        for load, weight in zip(*normal_points(LOAD_POINTS), strict=True):
            moved = (draws.load_sd * load)[:, None] + draws.tile_sd[:, None] * points
            reached = link.cdf(upper[:, [place]] - moved)
            likely += weight * (reached - link.cdf(lower[:, [place]] - moved))
        share[:, number[tile]] *= likely
    total = share.sum(axis=2, keepdims=True)
    return np.asarray(share / np.maximum(total, np.finfo(float).tiny))
