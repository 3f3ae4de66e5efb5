"""What warming up takes off every dwell: plain logarithms, and another physics."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "working_kiln"))

from kiln_records import as_records, fire_plan, window_plan, window_series
from working_kiln import open_kiln

from firelab.fits.ordinal.added_heat import latent_grades
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.warming_up import warming_up, with_warm_up, without_warm_up
from firelab.records.records import Records
from firelab.series.factors import DwellFactor
from firelab.series.firing_series import Blank
from firelab.series.heat_counted import time_at_heat
from firelab.series.terms import WARM_UP, coding, model_matrix

SERIES = window_series()
BENT = (*SERIES.terms, WARM_UP)
LOST = np.array([0.6, 1.5, 2.4])
DWELLS = np.array([90.0, np.sqrt(90.0 * 210.0), 210.0])


@pytest.mark.parametrize("at", range(3))
def test_the_columns_follow_ln_of_the_time_at_heat(at):
    found = warming_up(SERIES, BENT).scale(LOST)
    warm_up = SERIES.blank.warm_up_s(sum(SERIES.span("temperature")) / 2)
    left = DWELLS - LOST[at] * warm_up
    v = coding(SERIES, "dwell").code(DWELLS)
    bent, logs = v - found.bend[at] * v**2, np.log(np.maximum(left, 0.25 * DWELLS))
    # A straight line joins the two: same shape, whatever centre and scale.
    assert (bent[1] - bent[0]) / (bent[2] - bent[0]) == pytest.approx(
        (logs[1] - logs[0]) / (logs[2] - logs[0]), rel=1e-9
    )
    assert found.coded(DWELLS[None])[0][at] == pytest.approx(bent, abs=1e-9)


@pytest.mark.parametrize("lost", [0.0, 0.6, 1.5, 1.7, 2.4, 6.0])
def test_the_slopes_are_the_differences(lost):
    found, dwell, h = warming_up(SERIES, BENT), np.array([[20.0, 60.0, 100.0, 400.0]]), 1e-5
    at, low, high = (found.scale([x]) for x in (lost, lost - h, lost + h))
    _, per_s, by_lost = at.coded(dwell)
    by_hand = (at.coded(dwell + h)[0] - at.coded(dwell - h)[0]) / (2 * h)
    assert per_s == pytest.approx(by_hand, rel=1e-5)
    by_hand = (high.coded(dwell)[0] - low.coded(dwell)[0]) / (2 * h)
    assert by_lost == pytest.approx(by_hand, rel=1e-5, abs=1e-7)
    for slope, name in zip(at.by_lost, ("middle", "half_width", "bend"), strict=True):
        by_hand = (getattr(high, name) - getattr(low, name)) / (2 * h)
        assert slope == pytest.approx(by_hand, rel=1e-5, abs=1e-7)


def test_a_blank_that_is_warm_at_once_bends_nothing():
    warm = replace(SERIES, blank=Blank(warm_up=0.0))
    assert with_warm_up(warm, warm.terms) == warm.terms
    one = replace(
        SERIES, factors=replace(SERIES.factors, dwell=DwellFactor(levels=(135.0,)))
    )
    assert with_warm_up(one, ("temperature",)) == ("temperature",)
    free = ("temperature", "dwell", "dwell^2")
    assert with_warm_up(SERIES, free) == free
    longer = with_warm_up(SERIES, ("temperature", "dwell"))
    assert longer == ("temperature", "dwell", WARM_UP)
    assert without_warm_up(longer) == ("temperature", "dwell")


def test_it_is_nearer_to_tiles_heated_by_radiation_than_ln_dwell_is():
    # The other physics: a lump in a chamber that falls at the door, Arrhenius fusing.
    found = warming_up(SERIES, BENT).scale([SERIES.priors.lost])
    v = coding(SERIES, "dwell").code(DWELLS)
    gaps = []
    for number in range(40):
        colour = open_kiln("physics", number).colour
        work = colour.work.first(np.full(3, 760.0), DWELLS) / colour.per_degC
        of_ends = (work[0] + work[2]) / 2
        bend = found.bend[0] * (work[2] - work[0]) / 2
        gaps.append((work[1] - of_ends, work[1] - of_ends - bend))
    plain, warmed = np.abs(np.mean(gaps, axis=0))
    assert abs(v[1]) < 1e-9
    assert plain > 2.0 and warmed < plain / 2


@pytest.fixture(scope="module")
def fit():
    kiln, plan = open_kiln("physics", 1), window_plan(1)
    return fit_posterior(as_records(SERIES, plan, fire_plan(kiln, plan)), n_draws=400)


def test_the_fit_ties_the_square_to_the_dwell(fit):
    assert fit.terms[-1] == WARM_UP
    own, square = fit.draws.coefficients[:, 1], fit.draws.coefficients[:, -1]
    bend = warming_up(SERIES, BENT).scale(fit.draws.lost).bend
    assert square == pytest.approx(-bend * own)
    assert np.ptp(fit.draws.lost) > 0.5
    assert any("off every dwell" in words for words in fit.priors)


def test_a_tile_fired_twice_at_one_temperature_stands_at_its_time_at_heat(fit):
    degC, dwells = 760.0, (100.0, 120.0)
    blank = SERIES.blank
    before = time_at_heat(blank, [(degC, dwells[0])])
    looks = fit.looks.head(1).assign(
        temperature_degC=degC,
        before=[before],
        own_dwell_s=dwells[1],
        dwell_s=dwells[1] + before[0][1],
    )
    lost = fit.draws.lost[:1]
    found = warming_up(SERIES, fit.terms).scale(lost)
    eta = latent_grades(SERIES, fit.draws.coefficients[:1], lost, looks, fit.terms)[0, 0]
    once = looks.assign(
        before=[()], dwell_s=dwells[1] + dwells[0] - lost[0] * blank.warm_up_s(degC)
    )
    left = float(once["dwell_s"].iloc[0]) - lost[0] * found.warm_up_s
    u = coding(SERIES, "temperature").code([degC])[0]
    wanted = fit.draws.coefficients[0, 0] * u
    wanted += (
        fit.draws.coefficients[0, 1]
        * (np.log(left) - found.middle[0])
        / found.half_width[0]
    )
    assert eta == pytest.approx(wanted, rel=1e-9)


def test_records_without_dwell_as_a_term_are_fitted_as_before():
    kiln, plan = open_kiln("physics", 2), window_plan(2)
    records: Records = as_records(SERIES, plan, fire_plan(kiln, plan))
    found = fit_posterior(records, ("temperature",), n_draws=200)
    assert found.terms == ("temperature",)
    X = model_matrix(SERIES, records.graded, ("temperature",))
    assert found.draws.coefficients.shape[1] == X.shape[1]
