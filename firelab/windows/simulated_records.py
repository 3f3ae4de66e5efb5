"""Records of a plan fired in a simulated kiln, without a file in between."""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.windows.simulated_kiln import SimulatedKiln


def simulate_records(
    kiln: SimulatedKiln, plan: Plan, *, rng: np.random.Generator
) -> Records:
    """Fire a plan in a simulated kiln and return its records.

    Parameters
    ----------
    kiln : SimulatedKiln
        The truth.
    plan : Plan
        What is fired.
    rng : numpy.random.Generator
        Of loads and tiles.

    Returns
    -------
    Records
        As `read_firings` would return them from a log of the same looks.
    """
    looks = kiln.simulate(plan.tiles, rng=rng)
    settings = plan.tiles[["mesh", "grain_um", "layers", "base", "role"]]
    looks = pd.concat([looks, settings.reset_index(drop=True)], axis=1)
    looks["stage"] = pd.Categorical(
        looks["stage"], categories=list(kiln.series.responses.stage.grades), ordered=True
    )
    looks["total_dwell_s"] = looks.groupby("tile")["dwell_s"].cumsum()
    return Records(series=kiln.series, plan=plan, looks=looks, provenance=plan.provenance)
