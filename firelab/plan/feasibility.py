"""Whether any plan can serve a series; where none can, what conflicts and the nearest."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from firelab.plan.design_figures import inseparable_terms
from firelab.plan.infeasible import Conflict, InfeasiblePlan, rule_conflicts
from firelab.plan.optimal.choose import most_loads, whole_plot_terms
from firelab.plan.optimal.series_candidates import coat_limits, series_candidates
from firelab.plan.plan import SEQUENTIAL
from firelab.plan.stock import coat_grams
from firelab.series.factors import FactorName, TemperatureFactor, same_temperature
from firelab.series.firing_series import FiringSeries, with_part
from firelab.series.kiln_settings import settable_temperature
from firelab.series.terms import ModelColumn, split_term, term_columns

_FIRST_HELD: tuple[FactorName, ...] = ("base", "layers", "mesh", "dwell", "temperature")
_EXAMPLE_STEP_DEGC = 25.0
"""Either side of the only temperature (common practice, no source)."""


def check_feasible(series: FiringSeries) -> None:
    """Refuse a series that no plan of any kind can serve.

    Raises
    ------
    InfeasiblePlan
        With the conflicting lines and a nearest series that a plan can serve.
    """
    _refuse_single_levels(series)
    _refuse_total_rules(series)
    if series.plan.kind == SEQUENTIAL:  # its budget runs out firing by firing
        return
    _refuse_inseparable(series)
    _refuse_crowded_sessions(series)
    _refuse_small_budget(series)


def _refuse_single_levels(series: FiringSeries) -> None:
    if series.varied:
        return
    only = series.span("temperature")[0]
    around = sorted(
        {round(only + step, 2) for step in (-_EXAMPLE_STEP_DEGC, 0.0, _EXAMPLE_STEP_DEGC)}
    )
    whole = TemperatureFactor(low=around[0], high=around[-1])
    wider = with_part(series, "factors", temperature=whole)
    levels = tuple(settable_temperature(wider, degC) for degC in around)
    wider = with_part(series, "factors", temperature=TemperatureFactor(levels=levels))
    listed = ", ".join(f"{degC:g} degC" for degC in levels)
    raise InfeasiblePlan(
        "no factor has two levels: there is nothing to learn",
        [Conflict(path=("factors",), says="every factor has one level")],
        f"temperature at {listed}, everything else held",
        series=wider,
    )


def _refuse_total_rules(series: FiringSeries) -> None:
    if series_candidates(series).candidates.allowed.any():
        return
    what = "the rules forbid every combination of levels"
    conflicts = rule_conflicts(series)
    short: InfeasiblePlan | None = None
    n = len(series.rules)
    for size in range(1, n + 1):
        for lifted in combinations(range(n), size):
            kept = tuple(rule for i, rule in enumerate(series.rules) if i not in lifted)
            nearer = dataclasses.replace(series, rules=kept)
            left = int(series_candidates(nearer).candidates.allowed.sum())
            if not left:
                continue
            listed = "; ".join(f"rule {i + 1}: {series.rules[i]}" for i in lifted)
            nearest = f"lift {listed}; {left} settings are then left to plan with"
            further = _conflict_of(nearer)
            if further is None:
                raise InfeasiblePlan(what, conflicts, nearest, series=nearer)
            short = short or InfeasiblePlan(
                f"{what}; and without them {further.what}",
                [*conflicts, *(one for one in further.conflicts if one.path[0] != "rules")],
                f"{nearest}, and {further.nearest}",
                series=further.series,
            )
    if short is not None:
        raise short


def _refuse_crowded_sessions(series: FiringSeries) -> None:
    control, ends = series.plan.control, series.span("temperature")
    if control is None or series.budget.session_loads != 1:
        return
    if not all(same_temperature(end, control.temperature) for end in ends):
        raise no_room_for_control(series, 2)


def no_room_for_control(series: FiringSeries, n_loads: int) -> InfeasiblePlan:
    """Return the refusal of sessions that need more loads for their control tile."""
    holds = f"holds {series.budget.session_loads}"
    return InfeasiblePlan(
        "a session has no room for its control tile",
        [
            Conflict(path=("plan", "control"), says="takes a load of its own in a session"),
            Conflict(path=("budget", "session_loads"), says=holds),
        ],
        f"session_loads = {n_loads}; or no control tile",
        series=with_part(series, "budget", session_loads=n_loads),
    )


def _conflict_of(series: FiringSeries) -> InfeasiblePlan | None:
    try:
        check_feasible(series)
    except InfeasiblePlan as fault:
        return fault
    return None


def _lost_terms(series: FiringSeries) -> tuple[ModelColumn, ...]:
    """Return the columns that no choice of allowed settings can tell apart."""
    rows = series_candidates(series).region_rows
    columns = {str(column): column for column in term_columns(series, series.terms)}
    lost = inseparable_terms(rows, ("mean", *columns))
    return tuple(columns[name] for name in lost if name in columns)


def _without_term(series: FiringSeries, column: ModelColumn) -> FiringSeries:
    """Return the series with the term of a column dropped or its factor held."""
    for place, term in reversed(list(enumerate(series.model.interactions))):
        if column in term_columns(series, [term]):
            kept = tuple(
                one for i, one in enumerate(series.model.interactions) if i != place
            )
            return with_part(series, "model", interactions=kept)
    factor = column.powers[0][0]
    return _held(series, factor)


def _held(series: FiringSeries, factor: FactorName) -> FiringSeries:
    """Return the series with a factor held at its first level that is allowed."""
    allowed = series_candidates(series).region
    wanted = series.factors.levels(factor)
    column = allowed[series.column(factor)]
    level = next((one for one in wanted if (column == one).any()), wanted[0])
    kept = tuple(
        term
        for term in series.model.interactions
        if all(name != factor for name, _ in split_term(term))
    )
    kind = type(getattr(series.factors, factor))
    held = with_part(series, "factors", **{factor: kind(levels=(level,))})
    return with_part(held, "model", interactions=kept)


def _term_path(series: FiringSeries, column: ModelColumn) -> tuple[str, ...]:
    for term in series.model.interactions:
        if column in term_columns(series, [term]):
            return ("model", "interactions")
    factor = column.powers[0][0]
    return ("factors", factor)


def _refuse_inseparable(series: FiringSeries) -> None:
    lost = _lost_terms(series)
    if not lost:
        return
    nearer = series
    while nearer.varied and (still := _lost_terms(nearer)):
        nearer = _without_term(nearer, still[-1])
    conflicts = {_term_path(series, column): f"asks for {column}" for column in lost}
    conflicting = [Conflict(path=path, says=says) for path, says in conflicts.items()]
    conflicting += rule_conflicts(series)
    raise InfeasiblePlan(
        f"no allowed tiles can tell apart {', '.join(map(str, lost))}",
        conflicting,
        f"a plan of the terms {', '.join(nearer.terms) or 'none'}; "
        "or add levels, or loosen a rule",
        series=nearer if nearer.varied else None,
    )


def _tile_bounds(series: FiringSeries) -> list[tuple[int, Conflict]]:
    """Return every bound on the number of test tiles, with the line that sets it."""
    budget, bounds = series.budget, []
    control = int(series.plan.control is not None)  # one in each session, so at least one
    if budget.blanks is not None:
        says = f"{budget.blanks} blank{'s' * (budget.blanks != 1)}" + (
            f", {control} for controls" if control else ""
        )
        bounds.append(
            (budget.blanks - control, Conflict(path=("budget", "blanks"), says=says))
        )
    loads = most_loads(series)
    if loads is not None:
        says = f"{loads} load{'s' * (loads != 1)} of {budget.places} places"
        bounds.append((loads * budget.places, Conflict(path=_limit(series), says=says)))
    limits = coat_limits(series)
    if len(limits) == len(series.factors.mesh.levels):
        thinnest = min(series.factors.layers.levels)
        tiles = int(sum(coats // thinnest for coats in limits.values()))
        says = f"powder for {tiles} tiles of {thinnest} coat{'s' * (thinnest > 1)}"
        bounds.append((tiles, Conflict(path=("budget", "grams"), says=says)))
    return bounds


def _limit(series: FiringSeries) -> tuple[str, ...]:
    """Return the key of series.toml that limits the loads."""
    loads = most_loads(series)
    if series.plan.loads == loads:
        return ("plan", "loads")
    return ("budget", "loads" if series.budget.loads == loads else "sessions")


def _refuse_small_budget(series: FiringSeries) -> None:
    if _fits(series):
        return
    needed = 1 + len(term_columns(series, series.terms))
    least_loads = 1 + len(whole_plot_terms(series))
    short = [conflict for bound, conflict in _tile_bounds(series) if bound < needed]
    loads = most_loads(series)
    if loads is not None and loads < least_loads:
        says = f"{loads} loads, where temperature asks for {least_loads}"
        short.append(Conflict(path=_limit(series), says=says))
    enough = f"at least {needed} tiles in {least_loads} loads, and powder for them"
    nearer = _smaller_model(series, heat_first=loads is not None and loads < least_loads)
    if nearer is None:
        nearer, nearest = _larger_budget(series, needed, least_loads), enough
    else:
        terms = ", ".join(nearer.terms)
        nearest = f"a plan of {terms} alone, the rest held; or {enough}"
    raise InfeasiblePlan(
        f"{', '.join(series.terms)} take at least {needed} tiles in {least_loads} loads",
        [*short, Conflict(path=("factors",), says=f"{needed} terms, the mean among them")],
        nearest,
        series=nearer,
    )


def _smaller_model(series: FiringSeries, *, heat_first: bool) -> FiringSeries | None:
    """Return the series with terms left out until it fits; None where none would."""
    order: Sequence[FactorName] = _FIRST_HELD
    if heat_first:
        order = ("temperature", *(name for name in order if name != "temperature"))
    nearer: FiringSeries | None = series
    while nearer is not None and not _fits(nearer):
        nearer = with_a_term_less(nearer, order)
    return nearer


def with_a_term_less(
    series: FiringSeries, order: Sequence[FactorName] = _FIRST_HELD
) -> FiringSeries | None:
    """Return the series without its last interaction, or else with a factor held.

    Parameters
    ----------
    series : FiringSeries
    order : sequence of str
        Which factor is held first.

    Returns
    -------
    FiringSeries or None
        None where nothing would be left to vary.
    """
    if series.model.interactions:
        return with_part(series, "model", interactions=series.model.interactions[:-1])
    fewer = _held(series, next(name for name in order if name in series.varied))
    return fewer if fewer.varied else None


def _larger_budget(series: FiringSeries, needed: int, least_loads: int) -> FiringSeries:
    """Return the series with the budget raised to what its terms take at least."""
    budget = series.budget
    loads = max(least_loads, -(-needed // budget.places))
    grams = {
        mesh: max(
            budget.grams_there(mesh) or 0.0,
            needed * max(series.factors.layers.levels) * coat_grams(series) + 0.01,
        )
        for mesh in coat_limits(series)
    }
    raised = with_part(
        series,
        "budget",
        grams=grams,
        blanks=_raised(budget.blanks, needed + int(series.plan.control is not None)),
        loads=_raised(budget.loads, loads),
        sessions=_raised(budget.sessions, -(-loads // (budget.session_loads or loads))),
    )
    return with_part(raised, "plan", loads=_raised(series.plan.loads, loads))


def _raised(there: int | None, least: int) -> int | None:
    return None if there is None else max(there, least)


def _fits(series: FiringSeries) -> bool:
    needed = 1 + len(term_columns(series, series.terms))
    loads = most_loads(series)
    enough = loads is None or loads >= 1 + len(whole_plot_terms(series))
    return enough and all(bound >= needed for bound, _ in _tile_bounds(series))


def most_tiles(series: FiringSeries) -> int | None:
    """Return how many test tiles the budget allows at most; None where unbound."""
    bounds = [bound for bound, _ in _tile_bounds(series)]
    return int(np.min(bounds)) if bounds else None
