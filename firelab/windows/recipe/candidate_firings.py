"""What could be fired: temperatures and dwells of a series that its kiln can be set to."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from firelab.craft.materials import grain_um
from firelab.plan.plan import is_allowed
from firelab.plan.schedule.kiln_time import settable_dwell, settable_temperature
from firelab.series.firing_series import FiringSeries

_TEMPERATURES, _DWELLS = 25, 5
"""Candidates of a look-ahead over the series' range (chosen here, no source): a tenth of
a window apart."""


def candidate_temperatures(
    series: FiringSeries, count: int = _TEMPERATURES
) -> tuple[float, ...]:
    """Return about `count` temperatures of a series that its kiln can be set to, degC."""
    spread = np.linspace(*series.span("temperature"), count)
    return tuple(sorted({settable_temperature(series, float(degC)) for degC in spread}))


def candidate_dwells(series: FiringSeries) -> tuple[float, ...]:
    """Return the dwells of a series' levels and settable ones between, s, rising."""
    spread = np.geomspace(*series.span("dwell"), _DWELLS)
    dwells = {settable_dwell(series, float(s)) for s in spread}
    if not series.factors.is_range("dwell"):
        dwells |= {float(level) for level in series.factors.levels("dwell")}
    return tuple(sorted(dwells))


def candidate_tiles(series: FiringSeries, *temperatures_degC: float) -> pd.DataFrame:
    """Return every setting that one load at each of some temperatures could hold.

    Dwells are the series' levels and settable ones between; mesh, layers and
    base are its levels; what a rule forbids is left out.
    """
    dwells = candidate_dwells(series)
    levels = [series.factors.levels(name) for name in ("mesh", "layers", "base")]
    frame = pd.DataFrame(
        list(product(temperatures_degC, dwells, *levels)),
        columns=["temperature_degC", "dwell_s", "mesh", "layers", "base"],
    )
    frame.insert(3, "grain_um", [grain_um(int(mesh)) for mesh in frame["mesh"]])
    return frame[is_allowed(series, frame)].reset_index(drop=True)
