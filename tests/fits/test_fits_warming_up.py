"""What warming up takes off every dwell: plain logarithms, and another physics."""

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "working_kiln"))

import pandas as pd
from kiln_records import as_records, fire_plan, window_plan, window_series
from tile_heat import Chamber, speed
from working_kiln import open_kiln

import firelab
from firelab.errors import FaultyFile
from firelab.fits.ordinal.added_heat import latent_grades
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.warming_up import (
    traced_losses,
    warming_up,
    with_warm_up,
    without_warm_up,
)
from firelab.records.records import Records
from firelab.records.trace_file import KilnTrace
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


def traced_firing(rng):
    """Fire a tile in a chamber of another physics; return true loss, looks and trace."""
    chamber = Chamber(
        capacity_J_m2K=2000.0 * rng.uniform(0.8, 1.2),
        emissivity=rng.uniform(0.6, 0.9),
        convection_W_m2K=rng.uniform(8.0, 25.0),
        fall_degC=rng.uniform(40.0, 120.0),
        recovery_s=rng.uniform(15.0, 45.0),
    )
    degC, dwell = rng.uniform(720.0, 800.0), float(rng.choice([90, 120, 160, 210]))
    tile, energy = (
        chamber.tile_temperatures([degC], int(dwell))[:, 0],
        rng.uniform(200, 400),
    )
    rate = speed(tile, energy) / speed(degC + 273.15, energy)
    time = np.arange(0.0, dwell + 1.0, 5.0)
    fallen = chamber.fall_degC * np.exp(-time / chamber.recovery_s)
    looks = {"load": [4], "temperature_degC": [degC], "dwell_s": [dwell]}
    trace = KilnTrace(time_s=time, temperature_degC=degC - fallen)
    return dwell - np.trapezoid(rate), pd.DataFrame(looks), trace


def test_a_trace_tells_what_a_firing_loses_in_another_physics():
    rng, errors, priors = np.random.default_rng(5), [], []
    for _ in range(40):
        true, looks, trace = traced_firing(rng)
        records = SimpleNamespace(looks=looks, traces={4: trace, 9: trace})
        told = traced_losses(SERIES, records)
        assert list(told) == [4]
        warm_up = SERIES.blank.warm_up_s(looks["temperature_degC"][0])
        errors.append(np.log(told[4] * warm_up / true))
        priors.append(np.log(SERIES.priors.lost * warm_up / true))
    rms, before = (np.sqrt(np.mean(np.square(one))) for one in (errors, priors))
    assert rms < 0.2 and rms < 0.8 * before


def test_traces_of_a_folder_inform_the_loss(tmp_path):
    folder = firelab.start_demo(tmp_path / "demo")
    plain = fit_posterior(firelab.read_firings(folder), n_draws=400)
    (folder / "traces").mkdir()
    readings = "".join(f"{t},{760 - 90 * np.exp(-t / 40):.1f}\n" for t in range(0, 240, 5))
    (folder / "traces" / "load-2.csv").write_text("time_s,temperature_degC\n" + readings)
    (folder / "traces" / "monday.csv").write_text("time_s,temperature_degC\n0,1\n5,700\n")
    records = firelab.read_firings(folder)
    assert list(records.traces) == [2]
    assert "traces" in records.provenance.parts
    found = fit_posterior(records, n_draws=400)
    assert any(words.startswith("the trace of load 2 says") for words in found.priors)
    assert found.series.priors.lost != plain.series.priors.lost
    assert np.std(np.log(found.draws.lost)) < 0.7 * np.std(np.log(plain.draws.lost))
    standing = firelab.check_folder(folder).standing
    assert "traces: of load 2" in standing
    assert any("monday.csv: of no load" in line for line in standing)
    (folder / "traces" / "load-3.csv").write_text("time_s,temperature_degC\n0,700\n0,x\n")
    with pytest.raises(FaultyFile, match=r"load-3\.csv:3"):
        firelab.read_firings(folder)
