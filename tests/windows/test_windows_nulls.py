"""Where there is no recipe: each reason has its own code, words and remedy."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.records.records import Records
from firelab.series.firing_series import WindowSpecification
from firelab.series.folder import Provenance
from firelab.series.terms import model_matrix
from firelab.windows.firing_windows import firing_windows

PROVENANCE = Provenance(series_hash="", seed=1, versions={}, sources={})


def window_of(bench, grade, *, series=None, frame=None):
    """The first window of a series whose tiles were graded by a function."""
    series = series or bench.make_series()
    table = bench.make_plan(series).tiles if frame is None else frame
    places = np.asarray(grade(series, table))
    grades = list(series.responses.stage.grades)
    looks = table.assign(
        stage=pd.Categorical.from_codes(places, grades, ordered=True),
        look=1,
        total_dwell_s=table["dwell_s"],
    )
    records = Records(series=series, plan=None, looks=looks, provenance=PROVENANCE)
    fit = fit_posterior(records, n_draws=800)
    return firing_windows(fit).windows[0]


def by_temperature(*cuts):
    def grade(series, table):
        u = model_matrix(series, table, ("temperature", "dwell")) @ [1.0, 0.3]
        return (u[:, None] > np.array(cuts)).sum(axis=1)

    return grade


def falling(series, table):
    hot = model_matrix(series, table, ("temperature", "dwell")) @ [1.0, 0.3]
    return (-hot[:, None] > np.array([-0.6, 0.0, 0.6])).sum(axis=1)


def at_random(series, table):
    return np.random.default_rng(3).integers(0, 4, len(table))


CASES = {
    "target-not-reached": by_temperature(0.4, 9.0, 9.0),
    "target-passed": by_temperature(-9.0, -9.0, -9.0),
    "grade-never-seen": by_temperature(-0.4, 0.1, 0.1),
    "flat-response": at_random,
    "grades-fall": falling,
    "edge-outside-range": by_temperature(0.2, 0.9, 9.0),
}


@pytest.fixture(scope="module")
def window_of_case(bench):
    """The window of each of these cases, fitted once."""
    return lru_cache(maxsize=len(CASES))(lambda code: window_of(bench, CASES[code]))


@pytest.mark.parametrize("code", CASES)
def test_each_null_has_its_own_code_and_what_would_settle_it(window_of_case, code):
    window = window_of_case(code)
    assert window.recipe is None
    assert window.reason_code == code
    assert window.settle and all(window.settle)
    assert window.reason.endswith(".")
    assert window.best.tolerance_degC == 0.0


def test_a_series_of_one_temperature_is_said_to_be_one(bench):
    series = bench.make_series(temperatures=(750.0, 775.0))
    table = bench.make_plan(series, repeats=4).tiles
    only = table[table["temperature_degC"] == 750.0].reset_index(drop=True)
    window = window_of(bench, at_random, series=series, frame=only)
    assert window.reason_code == "one-temperature"
    assert "the temperature did not vary" in window.reason
    assert window.settle == ("fire tiles cooler and hotter than 750 °C (1382 °F)",)


def test_tiles_too_near_to_one_another_are_not_called_mixed_up(bench):
    series = bench.make_series()
    few = bench.make_plan(series).tiles.iloc[[0, 6, 12]].reset_index(drop=True)
    few = few.assign(temperature_degC=[755.0, 757.0, 759.0], dwell_s=120.0)
    window = window_of(bench, lambda series, table: [2, 2, 3], series=series, frame=few)
    assert window.reason_code == "narrow-range"
    assert window.reason.startswith(
        "Every graded tile was fired between 755 °C (1391 °F) and 759 °C (1398 °F)"
    )
    assert window.settle[0].startswith("fire tiles cooler than 755 °C (1391 °F)")


def test_grades_that_fall_are_told_from_grades_that_hardly_change(window_of_case):
    window = window_of_case("grades-fall")
    assert "hotter loads came out less far" in window.reason
    assert "labels were mixed up" in window.settle[0]


def test_a_target_narrower_than_the_spread_is_never_likely_enough(bench):
    series = bench.make_series()
    kiln = bench.make_kiln(series, thresholds=(-2.0, -0.5, 0.5))
    looks = bench.looks_of(bench.make_plan(series), kiln)
    fit = bench.known_fit(kiln, looks, spread=0.5, n_draws=200)
    window = firing_windows(fit).windows[0]
    assert window.reason_code == "never-likely-enough"
    assert window.assured_share == 0.0
    assert "of 100 tiles, 80 were asked" in window.reason


def test_room_below_the_kilns_own_step_is_no_recipe(bench):
    series = bench.make_series()
    kiln = bench.make_kiln(series)
    looks = bench.looks_of(bench.make_plan(series), kiln)
    fit = bench.known_fit(kiln, looks, spread=0.6, n_draws=600)
    room = firing_windows(fit).windows[0].recipe.tolerance_degC
    coarse = replace(series, kiln=replace(series.kiln, step=3.0 * room))
    window = firing_windows(replace(fit, series=coarse)).windows[0]
    assert window.recipe is None
    assert window.reason_code == "no-room"


def test_too_few_tiles_are_not_sure_enough(bench):
    series = bench.make_series()
    kiln = bench.make_kiln(series, thresholds=(-6.0, -2.6, 2.6))
    looks = bench.looks_of(bench.make_plan(series), kiln)
    fit = bench.known_fit(kiln, looks, spread=3.0, n_draws=400)
    window = firing_windows(fit).windows[0]
    assert window.reason_code == "not-sure-enough"
    (near,) = window.settle
    assert near.startswith("fire another load near ")
    assert f"{round(100 * window.best.assurance)}% sure at best; " in window.reason


def test_a_level_that_was_never_fired_has_no_recipe(bench):
    series = bench.make_series(bases=("none", "hard clear"))
    table = bench.make_plan(bench.make_series(), repeats=2).tiles
    kiln = bench.make_kiln(series)
    looks = bench.looks_of(bench.make_plan(series), kiln)
    fired = looks[looks["base"] == "none"].reset_index(drop=True)
    fit = bench.known_fit(
        kiln, fired, spread=0.3, n_draws=200, terms=("temperature", "dwell", "base")
    )
    found = {window.setting["base"]: window for window in firing_windows(fit).windows}
    assert found["none"].recipe is not None
    assert found["hard clear"].reason_code == "setting-not-fired"
    assert found["hard clear"].assured_share == 0.0
    assert "hard clear" in found["hard clear"].settle[0]
    assert len(table) == 48


def test_edges_beyond_what_was_fired_are_none_with_their_reason(window_of_case):
    window = window_of_case("target-not-reached")
    for edge in window.edges:
        assert edge.high_degC.estimate is None
        assert edge.high_degC.reason == "above the fired range"
    assert window.map.temperature_degC.min() == 700.0
    assert window.map.temperature_degC.max() == 825.0


@pytest.mark.parametrize(
    ("target", "side"), [(("sugar",), "low_degC"), (("over",), "high_degC")]
)
def test_the_ends_of_the_scale_have_one_edge(bench, target, side):
    series = bench.make_series(target=target)
    kiln = bench.make_kiln(series)
    looks = bench.looks_of(bench.make_plan(series), kiln)
    window = firing_windows(bench.known_fit(kiln, looks)).windows[0]
    for edge in window.edges:
        assert getattr(edge, side).estimate is None
        assert "the target is the" in getattr(edge, side).reason
    assert window.recipe is not None


def test_the_summary_is_short_and_in_both_units(bench):
    series = bench.make_series(
        meshes=(80, 150), bases=("none", "hard clear", "opaque white")
    )
    kiln = bench.make_kiln(series, effects={"temperature": 8.0, "dwell": 2.5, "mesh": -1.0})
    looks = bench.looks_of(bench.make_plan(series), kiln)
    fit = bench.known_fit(
        kiln, looks, spread=0.4, n_draws=200, terms=("temperature", "dwell", "mesh", "base")
    )
    for confidence in (0.8, 0.999):
        wish = WindowSpecification(probability=0.8, confidence=confidence)
        told = firing_windows(replace(fit, series=replace(series, window=wish))).summary()
        assert len(told.splitlines()) < 12
        assert "°C" in told and "°F" in told
        assert " mesh, 1 coat, on bare metal" in told


def test_windows_json_keeps_its_contract(bench):
    series = bench.make_series()
    kiln = bench.make_kiln(series)
    fit = bench.known_fit(kiln, bench.looks_of(bench.make_plan(series), kiln), spread=0.4)
    told = firing_windows(replace(fit, draws=fit.draws)).to_dict()
    assert told["schema"] == "firelab/windows/1"
    assert told["level"] == 0.9
    window = told["windows"][0]
    assert set(window["setting"]) == {"mesh", "layers", "base"}
    for edge in window["edges"]:
        assert {"dwell_s", "low_degC", "high_degC"} == set(edge)
        assert {"estimate", "lower", "upper"} <= set(edge["low_degC"])
    assert {
        "temperature_degC",
        "dwell_s",
        "tolerance_degC",
        "tolerance_s",
        "probability",
        "assurance",
    } == set(window["recipe"])
    assert window["reason"] is None
