"""The invented colours of the study, and the plans that it compares."""

from __future__ import annotations

import numpy as np

from firelab.craft.units import to_degC
from firelab.fits.ordinal.priors import LOGITS_20_TO_80
from firelab.plan.make_plan import stated_plan
from firelab.plan.plan import Plan
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Budget, Enamel, FiringSeries, WindowSpecification
from firelab.windows.simulation.simulated_kiln import Family, SimulatedKiln

DWELLS_S = (90.0, 120.0, 160.0, 210.0)
LOWEST_DEGF, HIGHEST_DEGF = 1250.0, 1550.0
LOAD_SD = 0.4
POPULATIONS = {
    "common": (10.0, 40.0),
    "sharp": (8.0, 25.0),
    "blurred": (25.0, 60.0),
    "passing": (10.0, 40.0),
    "heat work": (10.0, 40.0),
}
"""Degrees C over which a grade passes from 20 to 80 % of tiles, lowest and highest.

The first is the 20 degC that `firelab.series.declared_parts` takes as common practice,
halved and doubled; the next two are its two ends, to show what they do. *passing* and
*heat work* are as blurred as the first, and differ as below.
"""
LASTING = {"passing": 0.5}
"""Share of a tile's deviation that stays its own when it is fired on; elsewhere all."""
FAMILIES: dict[str, Family] = {"heat work": "heat work"}
"""Grades by the integral of the Arrhenius factor over the tile's own heat, normal
deviations; elsewhere linear in temperature and ln dwell, logistic deviations."""


def study_series() -> FiringSeries:
    """Declare the series: a range that a studio would search for a new jar."""
    degF = np.linspace(LOWEST_DEGF, HIGHEST_DEGF, 9)
    return FiringSeries(
        name="next tiles study",
        invented=True,
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=tuple(round(to_degC(t), 2) for t in degF)),
            dwell=DwellFactor(levels=DWELLS_S),
        ),
        budget=Budget(places=4),
        window=WindowSpecification(probability=0.8, confidence=0.8, level=0.9),
    )


SERIES = study_series()


def draw_colour(population: str, *, rng: np.random.Generator) -> SimulatedKiln:
    """Draw an invented colour: both thresholds of full lie inside the range."""
    half = 0.5 * (to_degC(HIGHEST_DEGF) - to_degC(LOWEST_DEGF))
    low_blur, high_blur = POPULATIONS[population]
    blur = float(np.exp(rng.uniform(np.log(low_blur), np.log(high_blur))))
    per_degC = LOGITS_20_TO_80 / blur
    wide = rng.uniform(1.5 * blur + 15.0, 1.5 * blur + 50.0)
    room = max(half - 0.5 * wide - 15.0, 5.0)
    centre = rng.uniform(-room, room)
    peel = rng.uniform(15.0, 35.0)
    places = np.array(
        [centre - 0.5 * wide - peel, centre - 0.5 * wide, centre + 0.5 * wide]
    )
    doubling = rng.uniform(15.0, 40.0)
    dwell = per_degC * doubling * 0.5 * np.log(DWELLS_S[-1] / DWELLS_S[0]) / np.log(2.0)
    return SimulatedKiln(
        series=SERIES,
        thresholds=tuple(float(t) for t in per_degC * places),
        effects={"temperature": float(per_degC * half), "dwell": float(dwell)},
        load_sd=LOAD_SD,
        family=FAMILIES.get(population, "logit"),
        lasting=LASTING.get(population, 1.0),
    )


def factorial(n_loads: int) -> Plan:
    """Return the factorial of evenly spread temperatures by all dwells."""
    low, high = SERIES.span("temperature")
    spread = (
        np.linspace(low, high, n_loads)
        if n_loads > 3
        else low + (high - low) * (np.arange(1, n_loads + 1) / (n_loads + 1))
    )
    return stated_plan(SERIES, [(float(t), DWELLS_S) for t in spread])


def latin(n_loads: int, *, rng: np.random.Generator) -> Plan:
    """Return a Latin hypercube grouped to loads of four: a dwell from each quarter."""
    low, high = SERIES.span("temperature")
    edges = np.linspace(low, high, n_loads + 1)
    ends = np.geomspace(DWELLS_S[0], DWELLS_S[-1], 4 * n_loads + 1)
    ranks = np.stack([rng.permutation(n_loads) + n_loads * q for q in range(4)])
    loads = [
        (
            float(rng.uniform(edges[k], edges[k + 1])),
            [float(rng.uniform(ends[r], ends[r + 1])) for r in ranks[:, k]],
        )
        for k in range(n_loads)
    ]
    return stated_plan(SERIES, loads)


def best_for_middle(n_loads: int) -> Plan:
    """Return the D-optimal loads for a straight-line model: the ends and the middle."""
    low, high = SERIES.span("temperature")
    spread = [(low, 0.5 * (low + high), high)[k % 3] for k in range(n_loads)]
    dwells = [DWELLS_S[0], DWELLS_S[0], DWELLS_S[-1], DWELLS_S[-1]]
    return stated_plan(SERIES, [(float(t), dwells) for t in sorted(spread)])
