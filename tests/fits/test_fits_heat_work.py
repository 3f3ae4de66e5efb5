"""Heat work against handbook values, exact solutions and invented truth.

Sources: Bejan & Kraus, *Heat Transfer Handbook* (2003), eq. 3.283, for a lump heated
by radiation alone; the exponential of Newton's law of heating; Arrhenius factors
computed by hand; and `firelab.windows.simulation.simulated_heat`, by another rule.
"""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from firelab.craft.heating import (
    KilnDrop,
    TileBody,
    fusing_speed,
    heat_integral,
    tile_body,
    tile_course,
)
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.questions.heat_courses import heat_courses
from firelab.fits.questions.heat_work import PROGRESS, fit_heat_work, heat_looks
from firelab.fits.questions.heat_work_comparison import compare_heat_work
from firelab.records.records import Records
from firelab.records.trace_file import KilnTrace
from firelab.series.folder import Provenance
from firelab.series.series_file import design_path, read_series
from firelab.windows.simulation.simulated_heat import SimulatedHeat

SERIES = read_series(design_path("opaque-window"))
GRADES = list(SERIES.responses.stage.grades)


def steady(degC, samples=321):
    return np.full((1, samples), float(degC))


def test_radiation_alone_is_the_handbooks():
    # Area 0.005 m2, heat capacity 7.5264 J/K, emissivity 0.8, from 25 degC in 800 degC.
    body = TileBody(capacity_J_m2K=7.5264 / 0.005, emissivity=0.8, start_degC=25.0)
    tile = tile_course(steady(800.0), 45.0, body)[0]
    time = np.linspace(0, 45.0, tile.size)
    reached = [float(np.interp(degC, tile, time)) for degC in (700, 780, 790)]
    assert np.round(reached, 1).tolist() == [22.7, 34.3, 39.0]
    assert np.allclose(reached, [22.68, 34.27, 39.02], atol=0.015)


def test_a_constant_coefficient_has_its_time_constant():
    body = TileBody(
        capacity_J_m2K=7.5264 / 0.005,
        emissivity=0.0,
        coefficient_W_m2K=200.0,
        start_degC=25,
    )
    tile = tile_course(steady(800.0), 30.0, body)[0]
    exact = 800 - 775 * np.exp(-np.linspace(0, 30, tile.size) / 7.5264)
    assert np.allclose(tile, exact, atol=1e-4)


@pytest.mark.parametrize(("energy", "factor"), [(200, 1.24), (300, 1.37), (400, 1.53)])
def test_ten_degrees_near_800_degC(energy, factor):
    assert fusing_speed(805.0, energy, 795.0) == pytest.approx(factor, rel=0.01)


def test_a_held_tile_does_its_speed_times_its_time():
    held = np.full((2, 161), 800.0)
    done = heat_integral(held, [60.0, 120.0], 300.0, 780.0)
    assert done == pytest.approx(np.array([60, 120]) * fusing_speed(800.0, 300.0, 780.0))
    with pytest.raises(FirelabError, match="even number"):
        heat_integral(np.full((1, 4), 800.0), 60.0, 300.0, 780.0)
    with pytest.raises(FirelabError, match="4 samples"):
        tile_course(np.full((1, 4), 800.0), 60.0, tile_body("copper", 0.8))


def records_of(frame):
    frame = frame.assign(
        mesh=80, grain_um=180.0, layers=1, base="none", role="test", session=1, observer=""
    )
    stage = pd.Categorical(frame["stage"], categories=GRADES, ordered=True)
    frame["total_dwell_s"] = frame.groupby("tile")["dwell_s"].cumsum()
    provenance = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
    return Records(
        series=SERIES, plan=None, looks=frame.assign(stage=stage), provenance=provenance
    )


def fired(n_loads=15, places=4):
    """Every temperature crossed with every dwell; no stage yet."""
    heats, dwells = SERIES.factors.levels("temperature"), SERIES.factors.levels("dwell")
    rows = [
        (f"T{load}{place}", 1, load + 1, heats[load % 5], dwells[(load // 5 + place) % 3])
        for load in range(n_loads)
        for place in range(places)
    ]
    names = ["tile", "look", "load", "temperature_degC", "dwell_s"]
    return pd.DataFrame(rows, columns=names).assign(stage="full")


def grade(frame, energy, rng, load_sd=0.0):
    """Invented stages: three logits per e-fold of heat work."""
    progress = heat_courses(records_of(frame)).progress(energy)
    load = pd.factorize(frame["load"])[0]
    eta = 3.0 * (progress - np.median(progress))
    eta = eta + load_sd * rng.normal(size=load.max() + 1)[load]
    chance = expit(np.array([-2.5, 0.0, 2.5]) - eta[:, None])
    stage = (rng.random(len(frame))[:, None] > chance).sum(axis=1)
    return frame.assign(stage=[GRADES[one] for one in stage])


def test_progress_is_that_of_another_integration():
    frame = fired()
    found = heat_courses(records_of(frame)).progress(300.0)
    other = SimulatedHeat(activation_kJ_mol=300.0).progress(
        frame["temperature_degC"], frame["dwell_s"]
    )
    assert np.ptp(found - other) < 1e-3


def test_looks_add_up_and_each_firing_starts_cold():
    once = fired(n_loads=1, places=1)
    again = once.assign(look=2)
    both = heat_courses(records_of(pd.concat([once, again], ignore_index=True)))
    first, second = both.progress(300.0)
    assert second == pytest.approx(first + np.log(2))
    longer = once.assign(dwell_s=2 * once["dwell_s"])
    assert heat_courses(records_of(longer)).progress(300.0)[0] > second


def test_a_trace_a_drop_and_a_thicker_blank():
    records = records_of(fired(n_loads=2, places=1))
    plain = heat_courses(records).progress(300.0)
    held = float(records.looks["temperature_degC"].iloc[0])
    trace = KilnTrace(time_s=np.array([5.0, 900.0]), temperature_degC=np.full(2, held))
    traced = heat_courses(replace(records, traces={1: trace})).progress(300.0)
    assert traced == pytest.approx(plain)
    fallen = heat_courses(records, drop=KilnDrop(drop_degC=40.0)).progress(300.0)
    assert (fallen < plain).all()
    thick = tile_body("copper", 1.2)
    assert (heat_courses(records, body=thick).progress(300.0) < plain).all()


def test_the_energy_is_held_by_its_interval():
    """Eight invented series; a 90 % interval misses four or more once in 200."""
    missed = 0
    for seed in range(8):
        energy = (200.0, 400.0)[seed % 2]
        rng = np.random.default_rng(seed)
        found = fit_heat_work(records_of(grade(fired(), energy, rng)))
        low = found.lower_kJ_mol or 0.0
        high = found.upper_kJ_mol or np.inf
        missed += not low <= energy <= high
    assert missed <= 3


def test_a_fit_says_what_it_found():
    records = records_of(grade(fired(n_loads=30), 300.0, np.random.default_rng(1), 0.3))
    found = fit_heat_work(records)
    assert found.lower_kJ_mol < found.activation_kJ_mol < found.upper_kJ_mol
    place = found.fit.place(PROGRESS)
    assert abs(found.fit.estimates[place] - 3.0) < 3 * found.fit.standard_errors[place]
    # By Arrhenius' law, 10 degF about the reference; R from CODATA 2018.
    low, high = (found.reference_degC + 273.15 + half / 1.8 for half in (-5.0, 5.0))
    faster = np.exp(found.activation_kJ_mol * 1e3 / 8.314462618 * (1 / low - 1 / high))
    assert f"kJ/mol ({found.level:.0%} interval" in found.summary()
    assert f"10 °F (6 °C) hotter fuses {faster:.2f} times as fast" in found.summary()
    assert found.table["name"][0] == "activation energy"
    assert found.convergence.code == 0
    json.dumps(found.to_dict(), allow_nan=False)
    # At the ends the likelihood has fallen by half the 90 % point of chi-squared, 2.7055.
    for end in (found.lower_kJ_mol, found.upper_kJ_mol):
        fallen = found.fit.log_likelihood - heat_looks(records).highest(end)
        assert fallen == pytest.approx(2.7055 / 2, abs=0.02)


@pytest.mark.parametrize("same", [{"dwell_s": 135.0}, {"temperature_degC": 780.0}])
@pytest.mark.parametrize("seed", [0, 2])
def test_an_end_of_the_search_is_no_estimate(same, seed):
    frame = fired().assign(**same)
    found = fit_heat_work(records_of(grade(frame, 300.0, np.random.default_rng(seed))))
    assert (found.lower_kJ_mol, found.upper_kJ_mol) == (None, None)
    assert not found.is_estimated and np.isnan(found.table["estimate"][0])
    plain = found.to_dict()
    assert plain["activation_kJ_mol"] is None and plain["speed_per_10_degC"] is None
    assert "no estimate between 50 and 1200 kJ/mol" in found.summary()
    assert "cross each other" in found.notes[-1]


def test_heat_work_predicts_refired_tiles_better():
    """A ladder: each tile fired three times, and once for as long; truth is heat."""
    rng = np.random.default_rng(6)
    once = fired(n_loads=10, places=2)
    short = once.assign(dwell_s=60.0, tile=once["tile"] + "x")
    looks = [short.assign(look=k) for k in (1, 2, 3)]
    frame = pd.concat([*looks, once], ignore_index=True)
    found = compare_heat_work(records_of(grade(frame, 300.0, rng)))
    assert found.gain > 0
    assert found.table["score"].tolist() == [found.heat_work, found.empirical]
    assert found.n_loads == 10 and len(found.energies_kJ_mol) == 10
    assert "each of 10 loads left out" in found.summary()
    json.dumps(found.to_dict(), allow_nan=False)


def test_no_stage_no_fit():
    with pytest.raises(RecordsInsufficient, match="no look carries a stage"):
        fit_heat_work(records_of(fired().assign(stage=None)))
