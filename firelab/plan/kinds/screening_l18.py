"""L18 screening: up to seven factors at three levels and one at two, 18 tiles."""

from __future__ import annotations

import numpy as np

from firelab.plan.impossible import Conflict, ImpossiblePlan
from firelab.plan.kinds.kind import PlanKind, Proposal, keep_allowed
from firelab.plan.kinds.plackett_burman import SCREENING_NOTE
from firelab.plan.kinds.two_ends import (
    Level,
    middle_level,
    require_varied,
    settings_of_levels,
)
from firelab.plan.pydoe.screening import l18
from firelab.series.factors import FactorName
from firelab.series.firing_series import FiringSeries

NAME = "l18"


def three_levels(series: FiringSeries, name: FactorName) -> tuple[Level, ...]:
    """Return two or three levels of a factor: low, middle, high.

    Raises
    ------
    ImpossiblePlan
        If the factor is a base with more than three levels.
    """
    levels = series.factors.levels(name)
    if name == "base":
        if len(levels) > 3:
            raise ImpossiblePlan(
                "an l18 plan takes three levels of each factor",
                [Conflict(path=("factors", "base"), says=f"has {len(levels)} bases")],
                "a d-optimal plan takes any number of bases; or keep three",
            )
        return levels
    if not series.factors.is_range(name) and len(levels) == 2:
        return tuple(sorted(levels))
    low, high = series.span(name)
    ends: tuple[Level, Level] = (low, high)
    if name in ("mesh", "layers"):
        ends = (int(low), int(high))
    return ends[0], middle_level(series, name), ends[1]


def propose_l18(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return the 18 settings; the size is fixed and `rng` is not used.

    The first factor with two levels takes the column of two; a further one
    takes a column of three and stands at its first level twice as often, which
    keeps it orthogonal to the rest.
    """
    require_varied(series, 1, NAME)
    array = l18()
    levels = {name: three_levels(series, name) for name in series.varied}
    pairs = [name for name, has in levels.items() if len(has) == 2]
    in_two = pairs[0] if pairs else None
    free = iter(range(1, array.shape[1]))
    columns: dict[FactorName, list[Level]] = {}
    for name, has in levels.items():
        chosen = array[:, 0] if name == in_two else array[:, next(free)]
        columns[name] = [has[int(number) % len(has)] for number in chosen]
    settings = settings_of_levels(series, columns)
    return keep_allowed(series, settings, notes=[SCREENING_NOTE])


SCREENING_L18 = PlanKind(
    name=NAME,
    description="screening at low, middle and high in 18 tiles",
    propose=propose_l18,
)
