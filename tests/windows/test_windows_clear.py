"""Transparents: a window asks for stage and score at once.

The simulated kiln gives the truth; what the joint probability must be follows
from the product of its two parts.
"""

import dataclasses

import numpy as np
import pytest

from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.plan.make_plan import make_plan
from firelab.series.factors import DwellFactor, LayersFactor
from firelab.series.series_file import design_path, read_series
from firelab.windows.firing_windows import firing_windows
from firelab.windows.simulation.expected_kiln import invent_records
from firelab.windows.simulation.simulated_kiln import SimulatedClarity, SimulatedKiln

DESIGN = read_series(design_path("clear-transparent"))
SERIES = dataclasses.replace(
    DESIGN,
    rules=(),
    factors=dataclasses.replace(
        DESIGN.factors,
        layers=LayersFactor(levels=(1,)),
        dwell=DwellFactor(levels=(120.0, 150.0, 180.0)),
    ),
)


@pytest.fixture(scope="module")
def answered():
    kiln = SimulatedKiln(
        series=SERIES,
        thresholds=(-9.0, -6.0, 6.0),
        effects={"temperature": 8.0, "dwell": 1.5},
        load_sd=0.2,
        clarity=SimulatedClarity(
            intercept=5.5, effects={"mesh": 3.5}, load_sd=0.1, residual_sd=0.5
        ),
    )
    plan = make_plan(SERIES, series_hash="0" * 64)
    records = invent_records(kiln, plan, rng=np.random.default_rng(4))
    fit = fit_posterior(records, rng=np.random.default_rng(5), n_draws=800)
    clarity = fit_clarity(records, rng=np.random.default_rng(6))
    return fit, firing_windows(fit, clarity), firing_windows(fit)


def by_mesh(windows):
    return {window.setting["mesh"]: window for window in windows.windows}


def test_coarse_grains_are_clear_and_fine_ones_are_not(answered):
    _, windows, _ = answered
    found = by_mesh(windows)
    assert found[80].recipe is not None
    assert windows.windows[0].setting["mesh"] == 80
    assert found[150].recipe is None
    assert found[150].reason_code == "not-clear-enough"
    assert "hardly ever with a score of 7: " in found[150].reason
    assert "coarser grains" in found[150].settle[0]


def test_the_stage_alone_would_do_for_both(answered):
    _, _, alone = answered
    assert all(window.recipe for window in alone.windows)


def test_asking_for_more_never_makes_the_target_likelier(answered):
    _, windows, alone = answered
    joint, stage = by_mesh(windows), by_mesh(alone)
    for mesh, window in joint.items():
        gap = window.map.probability - stage[mesh].map.probability
        # Both average the same draws; the map of the stage alone is tabulated.
        assert gap.max() < 0.02
