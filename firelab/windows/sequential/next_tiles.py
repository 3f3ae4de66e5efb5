"""The next load to fire: the tiles that shrink the edges most per kiln hour."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray
from firelab.craft.trade_words import count_words
from firelab.errors import UsageError
from firelab.fits.ordinal.stage_draws import evenly_taken
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import Plan
from firelab.windows.answer_words import settings_without_recipe
from firelab.windows.edges.edge_draws import EdgePosterior, edge_posterior
from firelab.windows.firing_odds import (
    candidate_temperatures,
    candidate_tiles,
)
from firelab.windows.sequential.fire_on import FiredTiles, tiles_to_fire_on
from firelab.windows.sequential.load_filling import (
    CandidateLoad,
    LoadHours,
    LookAhead,
    RemainingBudget,
    best_load,
    check_places,
    remaining_budget,
    tile_grams,
)
from firelab.windows.sequential.next_choice import NEXT_COLUMNS, NextTiles
from firelab.windows.sequential.outcome_tree import Outcomes
from firelab.windows.window import FiringWindows

if TYPE_CHECKING:
    from firelab.fits.stage import StageFit


_DRAWS = 400
"""Posterior draws that a look-ahead reweights (chosen here, no source)."""
_LEAST_GAIN = 0.02
"""Share of the edges' variance that a load must take away (chosen here, no source)."""


def next_tiles(
    fit: StageFit,
    plan: Plan,
    *,
    windows: FiringWindows | None = None,
    n_loads: int = 1,
    places: int | None = None,
    most_new: int | None = None,
    fire_on: bool = True,
) -> NextTiles:
    """Choose the next load, or loads, to fire.

    For temperatures that the kiln can be set to inside the series' range, a
    load is filled place by place with what leaves least of the edges' expected
    posterior variance, a new tile or one that is fired on; the load that takes
    most of it per kiln hour is chosen. A further load is chosen over every outcome
    of the loads before it. Where the window is for one place of the rack, the edges are
    that place's; tiles may lie at any.

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
    most_new : int, optional
        New tiles of each load, at most; by default its places.
    fire_on : bool, default True
        Whether tiles that were graded below the last grade may take a place
        again (see `tiles_to_fire_on`), each in one of the loads.

    Raises
    ------
    UsageError
        If the stage fit has no posterior draws, the kiln has fewer places, or no look is
        of the place that the window is for.

    References
    ----------
    .. [1] Lindley, D. V. (1956). On a measure of the information provided by an
       experiment. *Annals of Mathematical Statistics*, 27, 986-1005.
    .. [2] Chaloner, K. and Verdinelli, I. (1995). Bayesian experimental design:
       a review. *Statistical Science*, 10(3), 273-304.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> fit = firelab.fit_stage(records)
    >>> chosen = firelab.next_tiles(fit, records.plan, places=1, fire_on=False)
    >>> len(chosen.table)
    1
    """
    if not isinstance(fit, StagePosterior):
        raise UsageError(
            "the next tiles need posterior draws, and this stage fit has none",
            hint="fit with method 'posterior'",
        )
    places = places or fit.series.budget.places
    check_places(fit.series, places)
    edges = edge_posterior(fit.of_window)
    if windows is not None and any(window.recipe for window in windows.windows):
        tested = plan.tiles.loc[plan.tiles["role"] != "control", "tile"]
        spare = len(set(tested) - set(fit.looks["tile"]))
        lacking = settings_without_recipe(windows.windows)
        more = f"; none yet for {lacking}" if lacking else ""
        words = f"a recipe is assured{_unfired(spare)}{more}"
        return _stopped(fit, edges, words, "assured")
    if windows is not None and _contradicted(windows):
        why = f"the grades fall with heat; {windows.windows[0].settle[0]}"
        return _stopped(fit, edges, why, "contradiction")
    look_ahead = _look_ahead(fit, edges, places, most_new)
    start = Outcomes.before_any(look_ahead.draws.n_draws)
    before = start.variance(look_ahead.edges)
    outcomes, chosen, stop = _choose(fit, plan, look_ahead, start, n_loads, fire_on=fire_on)
    if not chosen:
        return _stopped(fit, edges, *stop)
    after = outcomes.variance(look_ahead.edges)
    if 1.0 - after.sum() / before.sum() < _LEAST_GAIN:
        return _stopped(fit, edges, "no affordable tile would move the edges", "no-gain")
    tiles = [one.tiles.assign(load=load) for load, one in enumerate(chosen, start=1)]
    return NextTiles(
        tiles=pd.concat(tiles, ignore_index=True)[list(NEXT_COLUMNS)],
        stop=None,
        stop_code=None,
        edges=_edge_table(edges, np.sqrt(after / before), fit.series.window.level),
        hours=round(sum(one.hours for one in chosen), 3),
        level=fit.series.window.level,
        provenance=fit.provenance,
        reads=fit.series.kiln.reads,
        fewer=stop[0] if len(chosen) < n_loads else None,
    )


def _look_ahead(
    fit: StagePosterior, edges: EdgePosterior, places: int, most_new: int | None
) -> LookAhead:
    kept = evenly_taken(fit.draws.n_draws, _DRAWS)
    return LookAhead(
        series=fit.series,
        terms=fit.terms,
        draws=fit.draws.take(kept),
        edges=edges.draws[kept],
        places=places,
        most_new=places if most_new is None else most_new,
        load_hours=LoadHours(fit.series),
    )


def _choose(
    fit: StagePosterior,
    plan: Plan,
    look_ahead: LookAhead,
    outcomes: Outcomes,
    n_loads: int,
    *,
    fire_on: bool,
) -> tuple[Outcomes, list[CandidateLoad], tuple[str, str]]:
    """Choose load after load; return them, and why there is no other, with its code."""
    budget = remaining_budget(fit.series, plan)
    fired = tiles_to_fire_on(fit, plan, look_ahead.draws)
    if not fire_on:
        fired = fired.without(set(fired.table["tile"]))
    chosen: list[CandidateLoad] = []
    for _ in range(n_loads):
        spent = budget.spent_on(can_fire_on=not fired.table.empty)
        if spent:
            return outcomes, chosen, (spent, "spent")
        load = best_load(look_ahead, outcomes, budget, fired)
        if load is None:
            break
        chosen.append(load)
        outcomes, budget = load.outcomes.next_load(), load.budget
        fired = fired.without(set(load.tiles["tile"]))
    return outcomes, chosen, _why_nothing(look_ahead, budget, fired)


def _contradicted(windows: FiringWindows) -> bool:
    return bool(windows.windows) and all(
        window.reason_code == "grades-fall" for window in windows.windows
    )


def _why_nothing(
    look_ahead: LookAhead, budget: RemainingBudget, fired: FiredTiles
) -> tuple[str, str]:
    """Say why no load can be filled, with its code."""
    if look_ahead.most_new == 0 and fired.table.empty:
        return "no tile can be fired on, and no new one was asked for", "nothing-allowed"
    series = look_ahead.series
    new = pd.concat(
        [candidate_tiles(series, degC) for degC in candidate_temperatures(series)]
    )
    if new.empty:
        return "the rules of series.toml forbid every firing", "nothing-allowed"
    mesh = new["mesh"].to_numpy(dtype=np.int64)
    if not budget.affords(mesh, tile_grams(series, new)).any() and fired.table.empty:
        return "no powder is left for a tile of any setting", "spent"
    return (
        f"no load fits into the {budget.hours or 0.0:.1f} kiln hours that are left; to go "
        "on, raise hours under [budget] in series.toml",
        "spent",
    )


def _unfired(count: int) -> str:
    if count < 1:
        return ""
    need = "needs" if count == 1 else "need"
    return f"; {count_words(count, 'planned tile')} {need} not be fired"


def _stopped(fit: StagePosterior, edges: EdgePosterior, why: str, code: str) -> NextTiles:
    level = fit.series.window.level
    return NextTiles(
        tiles=pd.DataFrame(columns=list(NEXT_COLUMNS)),
        stop=why,
        stop_code=code,
        edges=_edge_table(edges, np.ones(len(edges.names)), level),
        hours=0.0,
        level=level,
        provenance=fit.provenance,
        reads=fit.series.kiln.reads,
    )


def _edge_table(edges: EdgePosterior, shrink: FloatArray, level: float) -> pd.DataFrame:
    frame = pd.DataFrame(
        [
            {**name.setting, "dwell_s": name.dwell_s, "side": name.side}
            for name in edges.names
        ]
    )
    widths = edges.widths(level)
    return frame.assign(width_degC=widths, expected_degC=widths * shrink)
