"""Every combination of the stated levels."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.errors import FirelabError
from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.pydoe import full_factorial
from firelab.plan.settings_frame import SETTING_COLUMNS, as_settings, is_allowed
from firelab.series.factors import FACTORS
from firelab.series.firing_series import FiringSeries


def propose_factorial(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return every allowed combination, as often as ``plan.repeats`` asks.

    A factor given as a range stands at its two ends. The size follows from the
    levels; `n_tiles` and `rng` are not used.
    """
    levels = [series.factors.levels(name) for name in FACTORS]
    chosen = full_factorial([len(each) for each in levels])
    frame = pd.DataFrame(
        {
            column: [levels[place][number] for number in chosen[:, place]]
            for place, column in enumerate(SETTING_COLUMNS)
        }
    )
    settings = as_settings(frame)
    allowed = is_allowed(series, settings)
    if not allowed.any():
        raise FirelabError(
            f"the rules forbid all {len(settings)} combinations of levels",
            "series.toml rules",
            "loosen a rule, or add levels that it allows",
        )
    notes: tuple[str, ...] = ()
    if not allowed.all():
        notes = (f"{int((~allowed).sum())} of {len(settings)} combinations are forbidden.",)
    kept = settings[allowed]
    return Proposal(
        settings=as_settings(pd.concat([kept] * series.plan.repeats)), notes=notes
    )


FACTORIAL = PlanKind(
    name="factorial",
    description="every combination of the stated levels",
    propose=propose_factorial,
)
