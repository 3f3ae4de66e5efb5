"""No tiles beforehand: each firing is chosen from what was seen so far."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.plan import PLAN_DTYPES, SEQUENTIAL, SETTING_COLUMNS, Plan, as_settings
from firelab.plan.stock import budget_figures
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance

_NOTES = (
    "firelab next says each firing: the first from what is usual for such a jar, each "
    "further one from the looks so far.",
    "The tiles take turns at the places of the rack, since places differ.",
)


def propose_nothing(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return a proposal without a setting; neither `n_tiles` nor `rng` is used."""
    nothing = pd.DataFrame(columns=list(SETTING_COLUMNS))
    return Proposal(settings=as_settings(nothing), notes=_NOTES)


KIND = PlanKind(
    name=SEQUENTIAL,
    description="one tile at a time: none beforehand, each firing from the looks so far",
    propose=propose_nothing,
    fixes_tiles=False,
)


def sequential_plan(series: FiringSeries, provenance: Provenance) -> Plan:
    """Return the plan of a series whose tiles are chosen one firing at a time.

    Parameters
    ----------
    series : FiringSeries
        Its kiln has the places that tiles take turns at.
    provenance : Provenance

    Returns
    -------
    Plan
        Without a tile; ``extend_plan`` adds what is chosen.
    """
    nothing = pd.DataFrame(columns=list(PLAN_DTYPES)).astype(PLAN_DTYPES)
    time_h = {"total": 0.0}
    return Plan(
        tiles=nothing,
        kind=SEQUENTIAL,
        preparation=(),
        figures={
            "rack_places": series.budget.places,
            "budget": budget_figures(series, nothing, time_h),
        },
        powder_g={},
        time_h=time_h,
        notes=_NOTES,
        provenance=provenance,
        reads=series.kiln.reads,
        places=series.budget.places,
    )
