"""Records of a plan fired in an invented kiln, as if read from a firing log."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.windows.simulated_kiln import SimulatedKiln

_SETTINGS = ["mesh", "grain_um", "layers", "base", "role"]


def invent_records(kiln: SimulatedKiln, plan: Plan, *, rng: np.random.Generator) -> Records:
    """Fire a plan in an invented kiln.

    Parameters
    ----------
    kiln : SimulatedKiln
    plan : Plan
        Of the same series.
    rng : numpy.random.Generator

    Returns
    -------
    Records
        Looks in the order of the plan; the provenance is the plan's.
    """
    table = plan.tiles.reset_index(drop=True)
    looks = pd.concat([kiln.simulate(table, rng=rng), table[_SETTINGS]], axis=1)
    grades = list(kiln.series.responses.stage.grades)
    looks["stage"] = pd.Categorical(looks["stage"], categories=grades, ordered=True)
    looks["total_dwell_s"] = looks.groupby("tile")["dwell_s"].cumsum()
    return Records(series=kiln.series, plan=plan, looks=looks, provenance=plan.provenance)
