"""The best plan that the budget allows, and by how much the wish exceeds it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from firelab.errors import FirelabError
from firelab.plan.draft import draft_plan, repeated
from firelab.plan.feasibility import Conflict, ImpossiblePlan, most_tiles
from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.optimal.choose import choose_settings, guard, guarded_terms, n_loads_for
from firelab.plan.optimal.series_candidates import restricted_to
from firelab.plan.plan import Plan
from firelab.plan.stock.budget import Need, budget_needs
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.terms import term_columns

_SEARCH_STREAM = 7


def shortages(series: FiringSeries, plan: Plan) -> list[Need]:
    """Return what a plan takes beyond the budget."""
    return [need for need in budget_needs(series, plan.tiles, plan.time_h) if need.short]


def wished_plan(series: FiringSeries, kind: PlanKind, provenance: Provenance) -> Plan:
    """Return the plan that is wished for, as if there were powder enough.

    A kind that keeps to the powder by itself may find no plan of the wished
    size; what that size would take is then told by a plan without the limit.

    Parameters
    ----------
    series : FiringSeries
    kind : PlanKind
    provenance : Provenance

    Raises
    ------
    ImpossiblePlan
        If the kind cannot serve the series, however much powder there is.
    """
    n = series.plan.tiles
    try:
        return draft_plan(series, kind, n_tiles=n, provenance=provenance)
    except ImpossiblePlan:
        if not kind.sized or not (series.budget.grams or series.budget.yields):
            raise
    budget = dataclasses.replace(series.budget, grams={}, yields={})
    ample = dataclasses.replace(series, budget=budget)
    return draft_plan(ample, kind, n_tiles=n, provenance=provenance)


def _smaller(n: int, short: list[Need]) -> int:
    """Return a smaller size by what is scarcest, at least one tile less."""
    share = min((need.there or 0.0) / need.needed for need in short)
    return min(n - 1, max(math.floor(n * share), n - max(1, n // 6)))


def _with_shortfall(plan: Plan, wished: Plan, short: list[Need]) -> Plan:
    said = "; ".join(str(need) for need in short)
    lost = _test_tiles(wished) - _test_tiles(plan)
    note = (
        f"The wish does not fit the budget: {said}. Planned instead: the best "
        f"{_test_tiles(plan)} tiles in {plan.tiles['load'].nunique()} loads that fit"
        + (f", {lost} fewer." if lost > 0 else ".")
    )
    figures = {
        **plan.figures,
        "shortfall": {
            "tiles_wished": _test_tiles(wished),
            "short": {need.name: round(need.short, 3) for need in short},
        },
    }
    return dataclasses.replace(plan, figures=figures, notes=(note, *plan.notes))


def fit_to_budget(
    series: FiringSeries, kind: PlanKind, wished: Plan, provenance: Provenance
) -> Plan:
    """Return the wished plan where it fits, else the best that does.

    A kind of any size is asked for fewer tiles; of a kind of fixed size the
    best of its settings are taken.

    Parameters
    ----------
    series : FiringSeries
    kind : PlanKind
    wished : Plan
        As ``draft_plan`` gives it.
    provenance : Provenance

    Raises
    ------
    ImpossiblePlan
        If nothing that fits can carry the model.
    """
    short = shortages(series, wished)
    if not short:
        return wished
    least = 1 + len(term_columns(series, series.terms))
    n = _smaller(_test_tiles(wished), short)
    bound = most_tiles(series)
    n = n if bound is None else min(n, bound)
    while n >= least:
        plan = _smaller_plan(series, kind, n, wished, provenance)
        if plan is None:
            n -= 1
            continue
        still = shortages(series, plan)
        if not still:
            return _with_shortfall(plan, wished, short)
        n = min(n - 1, _smaller(_test_tiles(plan), still))
    raise ImpossiblePlan(
        f"no {kind.name} plan of {least} tiles or more fits the budget",
        [Conflict(path=tuple(need.key.split(".")), says=str(need)) for need in short],
        "raise "
        + ", ".join(f"{need.key} to {need.needed:g}" for need in short)
        + ", or take the d-optimal kind",
    )


def _test_tiles(plan: Plan) -> int:
    return int(plan.tiles.loc[plan.tiles["role"] != "control", "tile"].nunique())


def _smaller_plan(
    series: FiringSeries, kind: PlanKind, n: int, wished: Plan, provenance: Provenance
) -> Plan | None:
    if kind.sized:
        try:
            return draft_plan(
                dataclasses.replace(
                    series, plan=dataclasses.replace(series.plan, resolution=None)
                ),
                kind,
                n_tiles=max(1, n // series.plan.repeats),
                provenance=provenance,
            )
        except FirelabError:
            return None
    return _best_of_settings(series, kind, n, wished, provenance)


def _best_of_settings(
    series: FiringSeries, kind: PlanKind, n: int, wished: Plan, provenance: Provenance
) -> Plan | None:
    """Return the plan of the n of its settings that carry the model best."""
    rng = np.random.default_rng([provenance.seed, _SEARCH_STREAM])
    own = wished.tiles[wished.tiles["role"] != "control"]
    choice = restricted_to(series, own, terms=(*series.terms, *guarded_terms(series)))
    n_loads = min(n_loads_for(series, n), int(wished.tiles["load"].nunique()))
    n_loads = max(n_loads, math.ceil(n / series.budget.places))
    chosen = choose_settings(
        series, guard(series, choice), n=n, criterion="D", rng=rng, n_loads=n_loads
    )
    if chosen is None:
        return None
    note = f"Chosen among the {kind.name} settings by the determinant of the model."
    return draft_plan(
        series,
        kind,
        n_tiles=n,
        provenance=provenance,
        proposal=repeated(Proposal(settings=chosen, notes=(note,)), 1),
    )
