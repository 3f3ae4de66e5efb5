"""Every combination of the stated levels."""

from __future__ import annotations

import numpy as np

from firelab.plan.kinds.kind import PlanKind, Proposal, keep_allowed
from firelab.plan.kinds.two_ends import settings_of_levels
from firelab.plan.pydoe.factorial import full_factorial
from firelab.series.factors import FACTORS
from firelab.series.firing_series import FiringSeries


def propose_factorial(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return every allowed combination.

    A factor given as a range stands at its two ends. The size follows from the
    levels; `n_tiles` and `rng` are not used.
    """
    levels = {name: series.factors.levels(name) for name in FACTORS}
    chosen = full_factorial([len(each) for each in levels.values()])
    columns = {
        name: [levels[name][number] for number in chosen[:, place]]
        for place, name in enumerate(FACTORS)
    }
    return keep_allowed(series, settings_of_levels(series, columns))


FACTORIAL = PlanKind(
    name="factorial",
    description="every combination of the stated levels",
    propose=propose_factorial,
)
