"""The best N tiles to add to what is planned or fired."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from firelab.plan.extend import extend_plan
from firelab.plan.figures.seen_settings import seen_settings
from firelab.plan.fit_budget import shortages
from firelab.plan.impossible import Conflict, ImpossiblePlan
from firelab.plan.kinds.optimal import I_OPTIMAL
from firelab.plan.optimal.choose import choose_settings, most_loads
from firelab.plan.optimal.guard import Guarded, guard, guarded_terms
from firelab.plan.optimal.information import information_matrix
from firelab.plan.optimal.series_candidates import model_rows_of, series_candidates
from firelab.plan.plan import Plan
from firelab.plan.powder import coat_grams, powder_left
from firelab.series.firing_series import FiringSeries

_ADD_STREAM = 11


def _candidates_left(series: FiringSeries, plan: Plan) -> Guarded:
    """Return the candidates with the powder that the plan leaves."""
    terms = (*series.terms, *guarded_terms(series))
    choice = series_candidates(series, terms=terms)
    left = powder_left(series, plan)
    meshes = [mesh for mesh in series.factors.mesh.levels if mesh in left]
    grams = np.array([left[mesh] for mesh in meshes], dtype=float)
    limits = np.floor(np.maximum(grams, 0.0) / coat_grams(series) + 1e-9)
    candidates = dataclasses.replace(choice.candidates, limits=limits)
    return guard(series, dataclasses.replace(choice, candidates=candidates))


def _room(series: FiringSeries, plan: Plan, n: int) -> tuple[int, list[Conflict]]:
    """Return how many of n tiles the blanks and loads left allow, and what binds."""
    binding = []
    room = n
    if series.budget.blanks is not None:
        blanks = series.budget.blanks - plan.n_tiles
        if blanks < n:
            says = f"{blanks} of {series.budget.blanks} blanks are left"
            binding.append(Conflict(path=("budget", "blanks"), says=says))
        room = min(room, blanks)
    loads = most_loads(series)
    if loads is not None:
        left = loads - int(plan.tiles["load"].nunique())
        if left * series.budget.places < n:
            says = f"{left} of {loads} loads are left"
            binding.append(Conflict(path=("budget", "loads"), says=says))
        room = min(room, left * series.budget.places)
    return max(room, 0), binding


def add_best_tiles(series: FiringSeries, plan: Plan, n: int) -> Plan:
    """Return the plan with the best n tiles added, in a further session.

    Best by the series' criterion (the mean prediction variance for an i-optimal
    series, else the determinant), given what stands; within the blanks, loads,
    powder and hours that are left.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Kept as it stands, fired or not.
    n : int
        Tiles to add; fewer are added, and it is said, where the budget binds.

    Raises
    ------
    ImpossiblePlan
        If nothing is left to add from.
    """
    guarded = _candidates_left(series, plan)
    seen = seen_settings(series, plan.tiles)
    raw = model_rows_of(series, seen, (*series.terms, *guarded_terms(series)))
    standing = information_matrix(
        guarded.rows_of(raw),
        seen["load"].to_numpy(dtype=np.int64),
        series.plan.load_variance_ratio,
    )
    room, binding = _room(series, plan, n)
    before = {need.name: need.short for need in shortages(series, plan)}
    for size in range(room, 0, -1):
        rng = np.random.default_rng([plan.provenance.seed, _ADD_STREAM, len(seen), size])
        chosen = choose_settings(
            series,
            guarded,
            n=size,
            criterion="I" if series.plan.kind == I_OPTIMAL.name else "D",
            rng=rng,
            n_loads=math.ceil(size / series.budget.places),
            standing=standing,
        )
        if chosen is None:
            continue
        note = f"Added: the best {size} tiles beside what stood."
        if size < n:
            note += f" {n} were asked for; " + (
                "; ".join(one.says for one in binding) or "powder or hours bind"
            )
        longer = extend_plan(series, plan, chosen, note=note)
        worse = [
            need
            for need in shortages(series, longer)
            if need.short > before.get(need.name, 0.0)
        ]
        if not worse:
            return longer
        binding += [
            Conflict(path=tuple(need.key.split(".")), says=str(need)) for need in worse
        ]
    raise ImpossiblePlan(
        f"no tile can be added to {plan.n_tiles}",
        binding or [Conflict(path=("budget",), says="no powder is left")],
        "the plan as it stands; raise what binds",
    )
