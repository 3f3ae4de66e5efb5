"""D- and I-optimal plans of a stated model, with loads, rules and powder limits."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind, rule_conflicts
from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.optimal.choose import (
    choose_settings,
    most_loads,
    potential_terms,
    protect_against_bends,
)
from firelab.plan.optimal.problem import Criterion
from firelab.plan.optimal.search import SEARCHES
from firelab.plan.optimal.series_candidates import series_candidates
from firelab.plan.plan import stated_settings
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import term_columns

_TILES_PER_TERM = 3
"""Of a plan without a size (chosen here, no source)."""
_NO_DIFFERENCE = 0.0005
"""Share of the efficiency that is no difference: it would be told as 0.0 %."""


def _default_tiles(series: FiringSeries, n_terms: int) -> int:
    """Return a size where none is named: three tiles per term, in full loads."""
    places = series.budget.places
    wished = places * math.ceil(_TILES_PER_TERM * n_terms / places)
    bounds = [wished, series.budget.blanks]
    loads = most_loads(series)
    if loads is not None:
        bounds.append(loads * places)
    return min(bound for bound in bounds if bound is not None)


def propose_optimal(
    series: FiringSeries,
    *,
    n_tiles: int | None,
    rng: np.random.Generator,
    criterion: Criterion,
) -> Proposal:
    """Return the tiles that pin down the coefficients (D), or predict (I), best.

    Raises
    ------
    InfeasiblePlan
        If no plan of that size carries the model.
    """
    extra = potential_terms(series)
    choice = series_candidates(series, terms=(*series.terms, *extra))
    n_terms = choice.candidates.n_terms - len(term_columns(series, extra))
    n = n_tiles or _default_tiles(series, n_terms)
    kept = stated_settings(series.plan.keep)
    chosen = None
    if n >= max(len(kept), n_terms):
        chosen = choose_settings(
            series,
            protect_against_bends(series, choice),
            n=n,
            criterion=criterion,
            rng=rng,
            kept=kept,
        )
    if chosen is None:
        raise InfeasiblePlan(
            f"no plan of {n} tiles carries {', '.join(series.terms)}",
            [
                Conflict(
                    path=("plan", "tiles") if n_tiles == series.plan.tiles else ("budget",),
                    says=f"leaves {n} tiles",
                ),
                *rule_conflicts(series),
            ],
            f"{n_terms} tiles",
            series=of_kind(series, series.plan.kind, tiles=n_terms),
        )
    best = "the determinant" if criterion == "D" else "the mean prediction variance"
    note = (
        f"Chosen by {best} of {', '.join(series.terms)}, for loads whose variance is "
        f"{series.plan.load_variance_ratio:g} times that within a load"
        + (f"; not blind to {', '.join(extra)}." if extra else ".")
    )
    return Proposal(settings=chosen.settings, notes=(note, _seeds_note(chosen.behind)))


def _seeds_note(behind: float) -> str:
    """Say how far separate searches differ."""
    if behind < _NO_DIFFERENCE:
        return f"Searches: {SEARCHES} separate ones came to plans as efficient."
    return (
        f"Searches: of {SEARCHES} separate ones the last came to a plan "
        f"{100 * behind:.1f} % less efficient."
    )


D_OPTIMAL = PlanKind(
    name="d-optimal",
    description="tiles that pin down the stated model best; any size, rules and powder",
    propose=partial(propose_optimal, criterion="D"),
    sized=True,
)
I_OPTIMAL = PlanKind(
    name="i-optimal",
    description="tiles that predict best over the region; any size, rules and powder",
    propose=partial(propose_optimal, criterion="I"),
    sized=True,
)
