"""From a series to its plan.

A plan straight from a series, for use from Python.

A plan whose loads are stated one by one, as a study or a kiln in use has them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from firelab.craft.sieves import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.plan.feasibility import check_possible
from firelab.plan.fit_budget import fit_to_budget, wished_plan
from firelab.plan.kinds.registry import kind_named
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, versions
from firelab.series.what_matters import series_parts


def plan_series(
    series: FiringSeries,
    *,
    series_hash: str = "",
    declared: FiringSeries | None = None,
    seed: int | None = None,
) -> Plan:
    """Return the plan that a series asks for, or the best that its budget allows.

    Parameters
    ----------
    series : FiringSeries
        Its ``plan`` names the kind; its budget binds.
    declared : FiringSeries, optional
        The series as its file declares it, where `series` asks for another kind or
        size; a later change of the file is held against it.
    series_hash : str, default ''
        SHA-256 of series.toml, kept as provenance.
    seed : int, optional
        In place of the seed of the series. The same seed gives the same plan.

    Returns
    -------
    Plan
        In firing order.

    Raises
    ------
    UsageError
        If the kind is unknown.
    ImpossiblePlan
        If no plan can do what the series asks; with the conflicting lines and
        the nearest possible plan.

    Examples
    --------
    >>> from firelab.series.series_file import design_path
    >>> from firelab.series.series_file import read_series
    >>> plan = plan_series(read_series(design_path("quick-look")))
    >>> plan.n_tiles, int(plan.table["load"].max())
    (12, 6)
    """
    kind = kind_named(series.plan.kind)
    check_possible(series)
    provenance = Provenance(
        series_hash=series_hash,
        seed=series.seed if seed is None else seed,
        versions=versions(),
        sources={},
        parts=series_parts(declared or series),
    )
    wished = wished_plan(series, kind, provenance)
    return fit_to_budget(series, kind, wished, provenance)


def make_plan(series: FiringSeries, *, seed: int | None = None) -> Plan:
    """Return the plan that a series asks for; see ``plan_series``.

    Parameters
    ----------
    series : FiringSeries
        As read from a folder, or made in Python.
    seed : int, optional
        In place of the seed of the series.
    """
    return plan_series(series, seed=seed)


def stated_plan(
    series: FiringSeries,
    loads: Sequence[tuple[float, Sequence[float]]],
    *,
    first_load: int = 1,
    first_tile: int = 0,
) -> Plan:
    """Return the plan of stated loads, every tile of the series' first setting.

    Parameters
    ----------
    series : FiringSeries
    loads : sequence of (float, sequence of float)
        Of each load the temperature, degC, and the dwells of its tiles, s.
    first_load : int, default 1
        Number of the first load.
    first_tile : int, default 0
        How many tiles come before; codes and firing order go on from there.

    Returns
    -------
    Plan
        Of kind ``stated``, one session, without preparation or figures.

    Examples
    --------
    >>> from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
    >>> from firelab.series.firing_series import Enamel
    >>> heat, time = TemperatureFactor(levels=(740, 780)), DwellFactor(levels=(90, 120))
    >>> factors = Factors(temperature=heat, dwell=time)
    >>> series = FiringSeries(name="a jar", enamel=Enamel(colour="blue"), factors=factors)
    >>> plan = stated_plan(series, [(760.0, [90.0, 120.0])])
    >>> plan.table[["load", "order", "temperature_degC", "dwell_s"]].values.tolist()
    [[1.0, 1.0, 760.0, 90.0], [1.0, 2.0, 760.0, 120.0]]
    """
    rows = [
        {"load": first_load + k, "temperature_degC": degC, "dwell_s": dwell}
        for k, (degC, dwells) in enumerate(loads)
        for dwell in dwells
    ]
    factors, place = series.factors, first_tile + np.arange(len(rows))
    mesh = factors.mesh.levels[0]
    table = pd.DataFrame(rows, columns=["load", "temperature_degC", "dwell_s"]).assign(
        tile=[tile_code(int(k)) for k in place],
        session=1,
        order=place + 1,
        mesh=mesh,
        grain_um=grain_um(mesh),
        layers=factors.layers.levels[0],
        base=factors.base.levels[0],
        role="test",
    )
    return Plan(
        tiles=table[list(PLAN_DTYPES)].astype(PLAN_DTYPES),
        kind="stated",
        preparation=(),
        figures={},
        powder_g={},
        time_h={"total": 0.0},
        notes=(),
        provenance=Provenance(series_hash="", seed=series.seed, versions={}, sources={}),
    )
