"""Box-Behnken over three or more factors at low, middle and high."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.impossible import Conflict, ImpossiblePlan
from firelab.plan.kinds.crossing import cross_with_mixes, other_mixes
from firelab.plan.kinds.kind import PlanKind, Proposal, keep_allowed
from firelab.plan.kinds.two_ends import Level, middle_level
from firelab.plan.pydoe.surface import box_behnken
from firelab.series.factors import COLUMN_OF, FactorName
from firelab.series.firing_series import FiringSeries

NAME = "box-behnken"
DEFAULT_CENTRE = 3


def three_level_factors(series: FiringSeries) -> tuple[FactorName, ...]:
    """Return the ordered factors that have a middle between low and high."""
    ordered: tuple[FactorName, ...] = ("temperature", "dwell", "mesh", "layers")
    return tuple(
        name
        for name in ordered
        if name in series.varied
        and (series.factors.is_range(name) or len(series.factors.levels(name)) >= 3)
    )


def propose_box_behnken(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return edge middles and centre over every factor of three levels.

    No tile is fired at a corner, where everything is extreme at once. Every
    mix of the other factors gets the same points. `n_tiles` sets how often the
    centre is fired; `rng` is not used.
    """
    names = three_level_factors(series)
    if len(names) < 3:
        raise ImpossiblePlan(
            "a box-behnken plan needs three ordered factors with three levels",
            [
                Conflict(
                    path=("factors",), says=f"only {', '.join(names) or 'none'} has them"
                )
            ],
            "a central-composite plan over temperature and dwell",
        )
    n_mixes = max(len(other_mixes(series, names)), 1)
    outer = len(box_behnken(len(names), 1)[0]) - 1
    centre = DEFAULT_CENTRE if n_tiles is None else max(1, n_tiles // n_mixes - outer)
    signs, fault = box_behnken(len(names), centre)
    columns: dict[str, list[Level]] = {}
    for place, name in enumerate(names):
        low, high = series.span(name)
        levels: dict[int, Level] = {-1: low, 0: middle_level(series, name), 1: high}
        columns[COLUMN_OF[name]] = [levels[int(sign)] for sign in signs[:, place]]
    settings = cross_with_mixes(series, names, pd.DataFrame(columns))
    notes = [f"{fault}; our own construction took its place."] if fault else []
    return keep_allowed(series, settings, notes=notes)


BOX_BEHNKEN = PlanKind(
    name=NAME,
    description="edge middles and centre over three or four ordered factors",
    propose=propose_box_behnken,
)
