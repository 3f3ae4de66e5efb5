"""From a series to its plan: the one asked for, or the best that the budget allows."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.materials import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.errors import FirelabError
from firelab.plan.draft import draft_plan
from firelab.plan.feasibility import check_feasible, most_tiles, with_a_term_less
from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind
from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.kinds.optimal import D_OPTIMAL
from firelab.plan.kinds.registry import kind_named
from firelab.plan.kinds.tile_by_tile import sequential_plan
from firelab.plan.optimal.choose import (
    choose_settings,
    n_loads_for,
    potential_terms,
    protect_against_bends,
)
from firelab.plan.optimal.series_candidates import restricted_to
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.plan.stock import Need, budget_needs
from firelab.series.firing_series import FiringSeries, with_part
from firelab.series.folder import Provenance, versions
from firelab.series.terms import term_columns
from firelab.series.what_matters import series_parts

_SEARCH_STREAM = 7
"""Keeps the random stream of the reduction apart from the others of a seed."""


def shortages(series: FiringSeries, plan: Plan) -> list[Need]:
    """Return what a plan takes beyond the budget."""
    return [need for need in budget_needs(series, plan.tiles, plan.time_h) if need.short]


def _unconstrained_plan(
    series: FiringSeries, kind: PlanKind, provenance: Provenance
) -> Plan:
    """Return the plan that is asked for, as if there were powder enough.

    A kind that keeps to the powder by itself may find no plan of the requested
    size; what that size would take is then told by a plan without the limit.
    """
    n = series.plan.tiles
    try:
        return draft_plan(series, kind, n_tiles=n, provenance=provenance)
    except InfeasiblePlan:
        if not kind.sized or not (series.budget.grams or series.budget.yields):
            raise
    ample = with_part(series, "budget", grams={}, yields={})
    return draft_plan(ample, kind, n_tiles=n, provenance=provenance)


def _smaller(n: int, short: list[Need]) -> int:
    """Return a smaller size by what is scarcest, at least one tile less."""
    share = min((need.there or 0.0) / need.needed for need in short)
    return min(n - 1, max(math.floor(n * share), n - max(1, n // 6)))


def _with_shortfall(plan: Plan, requested: Plan, short: list[Need]) -> Plan:
    needs = "; ".join(str(need) for need in short)
    lost = _test_tiles(requested) - _test_tiles(plan)
    note = (
        f"The wish does not fit the budget: {needs}. Planned instead: the best "
        f"{_test_tiles(plan)} tiles in {plan.tiles['load'].nunique()} loads that fit"
        + (f", {lost} fewer." if lost > 0 else ".")
    )
    figures = {
        **plan.figures,
        "shortfall": {
            "tiles_wished": _test_tiles(requested),
            "short": {need.name: round(need.short, 3) for need in short},
        },
    }
    return dataclasses.replace(plan, figures=figures, notes=(note, *plan.notes))


def _fit_to_budget(
    series: FiringSeries, kind: PlanKind, requested: Plan, provenance: Provenance
) -> Plan:
    """Return the requested plan where it fits, else the best that does.

    A kind of any size is asked for fewer tiles; of a kind of fixed size the
    best of its settings are taken.
    """
    short = shortages(series, requested)
    if not short:
        return requested
    least = 1 + len(term_columns(series, series.terms))
    n = _smaller(_test_tiles(requested), short)
    bound = most_tiles(series)
    n = n if bound is None else min(n, bound)
    while n >= least:
        plan = _smaller_plan(series, kind, n, requested, provenance)
        if plan is None:
            n -= 1
            continue
        still = shortages(series, plan)
        if not still:
            return _with_shortfall(plan, requested, short)
        n = min(n - 1, _smaller(_test_tiles(plan), still))
    raise InfeasiblePlan(
        f"no {kind.name} plan of {least} tiles or more fits the budget",
        [Conflict(path=tuple(need.key.split(".")), says=str(need)) for need in short],
        "raise " + ", ".join(f"{need.key} to {need.ample:g}" for need in short),
        series=_with_ample_budget(series, short),
    )


def _with_ample_budget(series: FiringSeries, short: list[Need]) -> FiringSeries:
    """Return the series with each shortage of its budget made good."""
    grams, other = dict(series.budget.grams), dict[str, Any]()
    for need in short:
        *_, last = need.key.split(".")
        if last.isdigit():
            grams[int(last)] = need.ample
        else:
            other[last] = need.ample if last == "hours" else int(need.ample)
    raised = {mesh: g for mesh, g in series.budget.yields.items() if mesh not in grams}
    return with_part(series, "budget", grams=grams, yields=raised, **other)


def _test_tiles(plan: Plan) -> int:
    return int(plan.tiles.loc[plan.tiles["role"] != "control", "tile"].nunique())


def _smaller_plan(
    series: FiringSeries, kind: PlanKind, n: int, requested: Plan, provenance: Provenance
) -> Plan | None:
    if kind.sized:
        try:
            return draft_plan(
                with_part(series, "plan", resolution=None),
                kind,
                n_tiles=max(1, n // series.plan.repeats),
                provenance=provenance,
            )
        except FirelabError:
            return None
    return _best_of_settings(series, kind, n, requested, provenance)


def _best_of_settings(
    series: FiringSeries, kind: PlanKind, n: int, requested: Plan, provenance: Provenance
) -> Plan | None:
    """Return the plan of the n of its settings that carry the model best."""
    rng = np.random.default_rng([provenance.seed, _SEARCH_STREAM])
    own = requested.tiles[requested.tiles["role"] != "control"]
    choice = restricted_to(series, own, terms=(*series.terms, *potential_terms(series)))
    n_loads = min(n_loads_for(series, n), int(requested.tiles["load"].nunique()))
    n_loads = max(n_loads, math.ceil(n / series.budget.places))
    chosen = choose_settings(
        series,
        protect_against_bends(series, choice),
        n=n,
        criterion="D",
        rng=rng,
        n_loads=n_loads,
    )
    if chosen is None:
        return None
    note = f"Chosen among the {kind.name} settings by the determinant of the model."
    return draft_plan(
        series,
        kind,
        n_tiles=n,
        provenance=provenance,
        proposal=Proposal(settings=chosen.settings, notes=(note,)),
    )


def make_plan(
    series: FiringSeries,
    *,
    series_hash: str = "",
    declared: FiringSeries | None = None,
    seed: int | None = None,
) -> Plan:
    """Return the plan that a series asks for, or the best that its budget allows.

    Parameters
    ----------
    series : FiringSeries
        Its ``plan`` names the kind; its budget binds.
    series_hash : str, default ''
        SHA-256 of series.toml, kept as provenance.
    declared : FiringSeries, optional
        The series as its file declares it, where `series` asks for another kind or
        size; a later change of the file is held against it.
    seed : int, optional
        In place of the seed of the series. The same seed gives the same plan.

    Returns
    -------
    Plan
        In firing order.

    Raises
    ------
    UsageError
        If the kind is unknown.
    InfeasiblePlan
        If no plan can do what the series asks; with the conflicting lines and
        the nearest possible plan.

    Examples
    --------
    >>> from firelab.series.series_file import design_path
    >>> from firelab.series.series_file import read_series
    >>> plan = make_plan(read_series(design_path("quick-look")))
    >>> plan.n_tiles, int(plan.table["load"].max())
    (12, 6)
    """
    kind = kind_named(series.plan.kind)
    provenance = Provenance(
        series_hash=series_hash,
        seed=series.seed if seed is None else seed,
        versions=versions(),
        sources={},
        parts=series_parts(declared or series),
    )
    try:
        return _planned(series, kind, provenance)
    except InfeasiblePlan as fault:
        raise _advised(series, fault, provenance) from None


def _planned(series: FiringSeries, kind: PlanKind, provenance: Provenance) -> Plan:
    check_feasible(series)
    if not kind.fixes_tiles:
        return sequential_plan(series, provenance)
    requested = _unconstrained_plan(series, kind, provenance)
    return _fit_to_budget(series, kind, requested, provenance)


def _advised(
    series: FiringSeries, fault: InfeasiblePlan, provenance: Provenance
) -> InfeasiblePlan:
    """Return the refusal with the advice that was tried and found to work.

    Tried are the fault's own and the d-optimal kind; where neither works, fewer terms.
    """
    other = of_kind(series, D_OPTIMAL.name)
    nearest, nearer = fault.nearest, fault.series
    if nearer is not None and not _can_be_planned(nearer, provenance):
        nearest = f"{nearest}, and a {D_OPTIMAL.name} plan"
        nearer = of_kind(nearer, D_OPTIMAL.name)
        nearer = nearer if _can_be_planned(nearer, provenance) else None
    found = [] if nearer is None else [(nearest, nearer)]
    if other not in (series, fault.series) and _can_be_planned(other, provenance):
        found.append((f"a {D_OPTIMAL.name} plan", other))
    fewer = None if found else with_a_term_less(other)
    while fewer is not None and not found:
        if _can_be_planned(fewer, provenance):
            words = f"a {D_OPTIMAL.name} plan of {', '.join(fewer.terms)}, the rest held"
            found = [(words, fewer)]
        fewer = with_a_term_less(fewer)
    if not found:
        return InfeasiblePlan(fault.what, fault.conflicts, fault.nearest)
    nearest = "; or ".join(words for words, _ in found)
    return InfeasiblePlan(fault.what, fault.conflicts, nearest, series=found[0][1])


def _can_be_planned(series: FiringSeries, provenance: Provenance) -> bool:
    try:
        _planned(series, kind_named(series.plan.kind), provenance)
    except FirelabError:
        return False
    return True


def stated_plan(
    series: FiringSeries,
    loads: Sequence[tuple[float, Sequence[float]]],
    *,
    first_load: int = 1,
    first_tile: int = 0,
) -> Plan:
    """Return the plan of stated loads, every tile of the series' first setting.

    Parameters
    ----------
    series : FiringSeries
    loads : sequence of (float, sequence of float)
        Of each load the temperature, degC, and the dwells of its tiles, s.
    first_load : int, default 1
        Number of the first load.
    first_tile : int, default 0
        How many tiles come before; codes and firing order go on from there.

    Returns
    -------
    Plan
        Of kind ``stated``, one session, without preparation or figures.

    Examples
    --------
    >>> from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
    >>> from firelab.series.firing_series import Enamel
    >>> heat, time = TemperatureFactor(levels=(740, 780)), DwellFactor(levels=(90, 120))
    >>> factors = Factors(temperature=heat, dwell=time)
    >>> series = FiringSeries(name="a jar", enamel=Enamel(colour="blue"), factors=factors)
    >>> plan = stated_plan(series, [(760.0, [90.0, 120.0])])
    >>> plan.table[["load", "order", "temperature_degC", "dwell_s"]].values.tolist()
    [[1.0, 1.0, 760.0, 90.0], [1.0, 2.0, 760.0, 120.0]]
    """
    rows = [
        {"load": first_load + k, "temperature_degC": degC, "dwell_s": dwell}
        for k, (degC, dwells) in enumerate(loads)
        for dwell in dwells
    ]
    factors, place = series.factors, first_tile + np.arange(len(rows))
    mesh = factors.mesh.levels[0]
    table = pd.DataFrame(rows, columns=["load", "temperature_degC", "dwell_s"]).assign(
        tile=[tile_code(int(k)) for k in place],
        session=1,
        order=place + 1,
        mesh=mesh,
        grain_um=grain_um(mesh),
        layers=factors.layers.levels[0],
        base=factors.base.levels[0],
        role="test",
    )
    return Plan(
        tiles=table[list(PLAN_DTYPES)].astype(PLAN_DTYPES),
        kind="stated",
        preparation=(),
        figures={},
        powder_g={},
        time_h={"total": 0.0},
        notes=(),
        provenance=Provenance(series_hash="", seed=series.seed, versions={}, sources={}),
    )
