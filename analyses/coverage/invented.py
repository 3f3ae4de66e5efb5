"""The invented colours of the coverage study: designs, truths, looks."""

from __future__ import annotations

import numpy as np

from firelab.craft.units import to_degC
from firelab.plan.make_plan import stated_plan
from firelab.plan.plan import Plan
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Enamel, FiringSeries, WindowSpecification
from firelab.windows.simulation.simulated_heat import SimulatedHeat
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

PLACES = 4
DWELLS_S = (90.0, 120.0, 160.0, 210.0)
TEMPERATURES_DEGF = {
    24: (1300, 1340, 1380, 1420, 1460, 1500),
    36: (1300, 1325, 1350, 1375, 1400, 1425, 1450, 1475, 1500),
    60: (1300, 1350, 1400, 1450, 1500),
}
"""Levels by number of tiles; every load is one temperature and all four dwells."""
REPEATS = {24: 1, 36: 1, 60: 3}
FAMILIES = ("logit", "probit", "heat work")
LOAD_SDS = (0.0, 0.4, 0.8)


def study_series(
    n_tiles: int, *, level: float = 0.9, probability: float = 0.8
) -> FiringSeries:
    """Declare the series of a size: temperature by dwell, loads of four."""
    degC = tuple(round(to_degC(t), 2) for t in TEMPERATURES_DEGF[n_tiles])
    return FiringSeries(
        name=f"coverage study, {n_tiles} tiles",
        invented=True,
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=degC),
            dwell=DwellFactor(levels=DWELLS_S),
        ),
        window=WindowSpecification(probability=probability, level=level),
    )


def study_plan(series: FiringSeries, n_tiles: int) -> Plan:
    """Return the factorial plan: each load one temperature, all dwells."""
    levels = series.factors.temperature.levels
    loads = [(T, DWELLS_S) for T in levels for _ in range(REPEATS[n_tiles])]
    return stated_plan(series, loads)


def draw_truth(
    series: FiringSeries, family: str, load_sd: float, *, rng: np.random.Generator
) -> SimulatedKiln:
    """Draw an invented colour: where its edges lie, how steeply it passes.

    In half ranges of temperature (55.6 degC): orange peel is 0.2 to 0.6 wide,
    full 0.5 to 1.1, full begins between -0.5 and 0.3 at the middle dwell; half
    the range shifts the grade by 2.5 to 8 logits; half the dwell range is worth
    0.15 to 0.6 of that, or as the heat says (200 to 400 kJ/mol).
    """
    steepness = float(np.exp(rng.uniform(np.log(2.5), np.log(8.0))))
    full = rng.uniform(-0.5, 0.3)
    places = np.array([full - rng.uniform(0.2, 0.6), full, full + rng.uniform(0.5, 1.1)])
    return SimulatedKiln(
        series=series,
        family=family,
        thresholds=tuple(float(t) for t in steepness * places),
        effects={"temperature": steepness, "dwell": steepness * rng.uniform(0.15, 0.6)},
        load_sd=load_sd,
        heat=SimulatedHeat(activation_kJ_mol=float(rng.uniform(200.0, 400.0))),
    )
