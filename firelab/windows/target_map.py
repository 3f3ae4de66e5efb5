"""The target over the fired range: how probable, and how sure that is."""

from __future__ import annotations

import numpy as np

from firelab.windows.target_at_setting import TargetAtSetting
from firelab.windows.window import ProbabilityMap

_MEAN_DRAWS = 500


def map_target(target: TargetAtSetting) -> ProbabilityMap:
    """Return the target's probability and assurance over the fired range."""
    temperatures, dwells = target.fired.temperatures, target.fired.dwells
    grid_T, grid_d = (axis.ravel() for axis in np.meshgrid(temperatures, dwells))
    assurance = target.likely_enough(grid_T, grid_d).mean(axis=0)
    few = target.thinned(_MEAN_DRAWS).tabulated()
    probability = few.probability(grid_T, grid_d).mean(axis=0)
    shape = (dwells.size, temperatures.size)
    return ProbabilityMap(
        temperature_degC=temperatures,
        dwell_s=dwells,
        probability=probability.reshape(shape),
        assurance=assurance.reshape(shape),
    )
