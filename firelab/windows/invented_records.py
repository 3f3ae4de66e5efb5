"""Records of a plan fired in an invented kiln, as if read from a firing log."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.windows.simulated_kiln import SimulatedKiln

_SETTINGS = ["mesh", "grain_um", "layers", "base", "role"]


def invent_records(
    kiln: SimulatedKiln, plan: Plan, *, rng: np.random.Generator, growing: bool = False
) -> Records:
    """Fire a plan in an invented kiln.

    Parameters
    ----------
    kiln : SimulatedKiln
    plan : Plan
        Of the same series.
    rng : numpy.random.Generator
    growing : bool, default False
        With a generator of the same seed, a plan that has grown at its end gives
        the same looks first.

    Returns
    -------
    Records
        Looks in the order of the plan; the provenance is the plan's.
    """
    table = plan.tiles.reset_index(drop=True)
    fired = kiln.simulate(table, rng=rng, growing=growing)
    looks = pd.concat([fired, table[_SETTINGS]], axis=1)
    grades = list(kiln.series.responses.stage.grades)
    looks["stage"] = pd.Categorical(looks["stage"], categories=grades, ordered=True)
    looks["total_dwell_s"] = looks.groupby("tile")["dwell_s"].cumsum()
    return Records(series=kiln.series, plan=plan, looks=looks, provenance=plan.provenance)
