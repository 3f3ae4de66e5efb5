"""Central composite over temperature and dwell: five levels of each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.kiln_steps import settable_dwell, settable_temperature
from firelab.plan.kinds.crossing import cross_with_mixes, other_mixes
from firelab.plan.kinds.kind import PlanKind, Proposal, keep_allowed
from firelab.plan.kinds.two_ends import require_varied
from firelab.plan.pydoe.surface import central_composite
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import coding

NAME = "central-composite"
DEFAULT_CENTRE = 3
_OUTER = 8


def propose_central_composite(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return corners, axis points and centre over temperature and dwell.

    Rotatable and inscribed: nothing is fired outside the series' range. Every
    mix of the other factors gets the same points. `n_tiles` sets how often the
    centre is fired; `rng` is not used.
    """
    require_varied(series, 2, NAME)
    n_mixes = len(other_mixes(series, ("temperature", "dwell")))
    centre = DEFAULT_CENTRE
    if n_tiles is not None:
        centre = max(1, n_tiles // max(n_mixes, 1) - _OUTER)
    points = central_composite(centre)
    heat, time = coding(series, "temperature"), coding(series, "dwell")
    degC = heat.centre + points[:, 0] * heat.half_width
    dwell_s = np.exp(time.centre + points[:, 1] * time.half_width)
    low_s, high_s = series.span("dwell")
    frame = pd.DataFrame(
        {
            "temperature_degC": [settable_temperature(series, t) for t in degC],
            "dwell_s": [
                settable_dwell(series, min(max(d, low_s), high_s)) for d in dwell_s
            ],
        }
    )
    settings = cross_with_mixes(series, ("temperature", "dwell"), frame)
    return keep_allowed(series, settings)


CENTRAL_COMPOSITE = PlanKind(
    name=NAME,
    description="corners, axis points and centre over temperature and dwell",
    propose=propose_central_composite,
)
