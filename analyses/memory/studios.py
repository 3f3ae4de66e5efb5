"""Invented studios: earlier jars, and one more that is like them or far from them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from firelab.plan.make_plan import make_plan
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.series.declared_parts import Expectation
from firelab.series.factors import Factors
from firelab.series.firing_series import Budget, Enamel, FiringSeries
from firelab.windows.simulation.expected_kiln import draw_expected_kiln, invent_records
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

LOW_DEGC, HIGH_DEGC, AT_S = 725.0, 775.0, 135.0
"""Edges of the middle jar at the usual dwell."""
BETWEEN_DEGC = 15.0
"""Standard deviation of middles between the jars of a studio, as in the prototype."""
DWELLS_S = (95.0, 135.0, 190.0)
RANGE_DEGC = (670.0, 830.0)


def study_series(kind: str, tiles: int | None) -> FiringSeries:
    """Return a series over temperature and dwell, one kind of plan of a size."""
    spread = kind != "factorial"
    temperature: object = {"low": RANGE_DEGC[0], "high": RANGE_DEGC[1]}
    dwell: object = {"low": DWELLS_S[0], "high": DWELLS_S[-1]}
    if not spread:
        degC = np.linspace(*RANGE_DEGC, 6)
        temperature, dwell = {"levels": tuple(degC)}, {"levels": DWELLS_S}
    factors = Factors(temperature=temperature, dwell=dwell)  # type: ignore[arg-type]
    series = FiringSeries(
        name="invented", factors=factors, enamel=Enamel(colour="invented"), invented=True
    )
    size = {"tiles": tiles} if spread else {"repeats": 2}
    return replace(
        series,
        budget=Budget(places=2),
        plan=replace(series.plan, kind=kind, **size),  # type: ignore[arg-type]
    )


def study_plan(series: FiringSeries) -> Plan:
    """Return the plan of a series."""
    return make_plan(series)


def draw_jar(
    series: FiringSeries, rng: np.random.Generator, *, sds_away: float | None = None
) -> SimulatedKiln:
    """Draw one jar of the studio; so many standard deviations away where stated."""
    away = 0.0 if sds_away is None else sds_away * BETWEEN_DEGC * rng.choice([-1.0, 1.0])
    spread = BETWEEN_DEGC if sds_away is None else 0.01
    expected = Expectation(
        low_edge=LOW_DEGC + away,
        high_edge=HIGH_DEGC + away,
        at=AT_S,
        uncertainty=spread,
        doubling=float(30.0 * np.exp(0.2 * rng.standard_normal())),
        blur=float(20.0 * np.exp(0.3 * rng.standard_normal())),
    )
    return draw_expected_kiln(series, expected, rng=rng)


def fire(kiln: SimulatedKiln, plan: Plan, rng: np.random.Generator) -> Records:
    """Fire a plan in an invented kiln."""
    return invent_records(kiln, plan, rng=rng)
