"""Edges as inverse prediction: the doses at which moths die, and where a scale turns.

Budworm: deaths of 20 moths at each of six doses by sex (Collett 1991), with the
LD25, LD50 and LD75 of females and their standard errors as printed in Venables and
Ripley, *Modern Applied Statistics with S* (4th ed. 2002, section 7.2), values as
remembered; the same by statsmodels' GLM and the delta method, computed here. The
dose's log2 stands for a temperature, sex for a base, death for a grade.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.records.records import Records
from firelab.series.declared_parts import PriorSpecification
from firelab.series.factors import BaseFactor, DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Enamel, FiringSeries
from firelab.series.folder import Provenance
from firelab.series.responses import Responses, StageResponse

DEAD = {"male": (1, 4, 9, 13, 18, 20), "female": (0, 2, 6, 10, 12, 16)}
PUBLISHED = {
    0.25: (2.231265, 0.2499089),
    0.5: (3.263587, 0.2297539),
    0.75: (4.295910, 0.2746874),
}
COLD, PER_DOUBLING = 600.0, 40.0


def by_glm(p):
    """LD of females and its standard error, by GLM and the delta method."""
    rows = [(d, sex == "male", dead) for sex, n in DEAD.items() for d, dead in enumerate(n)]
    table = np.array(rows, dtype=float)
    design = np.column_stack([1 - table[:, 1], table[:, 1], table[:, 0]])
    fit = sm.GLM(
        np.column_stack([table[:, 2], 20 - table[:, 2]]), design, sm.families.Binomial()
    ).fit()
    female, slope = fit.params[0], fit.params[2]
    dose = (np.log(p / (1 - p)) - female) / slope
    gradient = np.array([-1 / slope, 0.0, -dose / slope])
    return dose, np.sqrt(gradient @ fit.cov_params() @ gradient)


@pytest.fixture(scope="module")
def moths():
    series = FiringSeries(
        name="budworm",
        enamel=Enamel(colour="none"),
        factors=Factors(
            temperature=TemperatureFactor(
                levels=tuple(COLD + PER_DOUBLING * d for d in range(6))
            ),
            dwell=DwellFactor(levels=(100.0,)),
            base=BaseFactor(levels=("female", "male")),
        ),
        responses=Responses(
            stage=StageResponse(grades=("alive", "dead"), target=("dead",))
        ),
        # Flat priors, no random effect and no slips: the textbook has none of them.
        priors=PriorSpecification(
            blur=110.0,
            blur_spread=3.0,
            place_spread=5.0,
            effect=500.0,
            session=0.01,
            load=0.01,
            slip=1e-6,
        ),
    )
    rows = [
        {"temperature_degC": COLD + PER_DOUBLING * dose, "base": sex, "stage": grade}
        for sex, deaths in DEAD.items()
        for dose, dead in enumerate(deaths)
        for grade in ["dead"] * dead + ["alive"] * (20 - dead)
    ]
    frame = pd.DataFrame(rows)
    frame["stage"] = pd.Categorical(frame["stage"], ["alive", "dead"], ordered=True)
    frame = frame.assign(
        tile=[f"T{k}" for k in range(len(frame))],
        load=frame.groupby(["temperature_degC", "base"]).ngroup(),
        dwell_s=100.0,
        look=1,
        total_dwell_s=100.0,
        mesh=80,
        layers=1,
        role="test",
    )
    provenance = Provenance(series_hash="", seed=1, versions={}, sources={})
    records = Records(series=series, plan=None, looks=frame, provenance=provenance)
    return fit_posterior(records, n_draws=4000)


@pytest.mark.parametrize("p", PUBLISHED)
def test_lethal_doses_are_those_published(bench, moths, p):
    wanted, error = by_glm(p)
    assert (wanted, error) == pytest.approx(PUBLISHED[p], abs=1e-4)
    asked = replace(moths.series.window, probability=p)
    fit = replace(moths, series=replace(moths.series, window=asked))
    low, high = bench.fit_edges(fit, {"mesh": 80, "layers": 1, "base": "female"}, 100.0)
    dose = (low - COLD) / PER_DOUBLING
    # Flat priors leave the maximum-likelihood answer, but for the posterior's skew.
    assert np.median(dose) == pytest.approx(wanted, abs=0.25 * error)
    assert dose.std() == pytest.approx(error, rel=0.12)
    assert np.isposinf(high).all()


def test_the_slope_is_that_of_the_glm(moths):
    # V&R print 1.0642 per doubling; the coded unit is 2.5 doublings.
    slope = np.median(moths.draws.coefficients[:, 0]) / 2.5
    assert slope == pytest.approx(1.0642, abs=0.04)
