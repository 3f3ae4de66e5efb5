"""A window for one place of the rack, in a kiln that shares nothing with firelab."""

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "working_kiln"))

from kiln_records import as_records, fire_plan, window_plan, window_series
from working_kiln import open_kiln

from firelab import firing_windows, fit_stage, next_tiles
from firelab.errors import UsageError
from firelab.series.terms import TEMPERATURE, coding, model_matrix
from firelab.windows.fit_file import ask_window


@pytest.fixture(scope="module")
def fit():
    kiln = open_kiln("places", 3)
    kiln.places[:] = (-9.0, -3.0, 3.0, 9.0)
    series, plan = window_series(), window_plan(0)
    return fit_stage(as_records(series, plan, fire_plan(kiln, plan)))


def low_edges(windows):
    found = [edge.low_degC.estimate for edge in windows.windows[0].edges]
    return np.array([value for value in found if value is not None])


def test_a_hot_place_needs_less_heat_than_a_cool_one_by_what_they_differ(fit):
    means = fit.effects["place"].means_degC
    assert means["4"] > means["1"] + 3.0
    cool, hot = (low_edges(firing_windows(ask_window(fit, place=k))) for k in (1, 4))
    # The median of a difference is not the difference of medians, nor the range's ends.
    assert cool - hot == pytest.approx(means["4"] - means["1"], abs=2.0)


def test_one_place_is_known_better_than_any_place(fit):
    any_place, here = firing_windows(fit), firing_windows(ask_window(fit, place=3))
    odds = [one.windows[0].likeliest.probability for one in (any_place, here)]
    assert odds[1] > odds[0]
    assert here.to_dict()["place"] == 3 and any_place.to_dict()["place"] is None
    assert "this answer is for place 3 alone" in here.summary()


def test_probability_at_a_place_is_that_of_its_own_deviation(fit):
    here, draws = fit.at_place(2), fit.draws
    X = model_matrix(fit.series, fit.looks.head(3), fit.terms)
    known = fit.effects["place"]
    own = known.degC[:, known.groups.index("2")] * _latent_per_degC(fit)
    load = np.random.default_rng(5).standard_normal((200, draws.n_draws)) * draws.load_sd
    shifted = draws.thresholds[:, 1, None] - draws.coefficients @ X.T - own[:, None]
    by_hand = expit(shifted[None] - load[..., None]).mean(axis=(0, 1))
    found = here.draws.grade_probabilities(X)[..., :2].sum(axis=2).mean(axis=0)
    assert found == pytest.approx(by_hand, abs=0.01)


def test_the_rack_has_the_places_that_it_has(fit):
    """A tile at any of four known places, not at a place drawn from all there could be."""
    known, draws = fit.effects["place"], fit.draws
    assert known.groups == ("1", "2", "3", "4")
    assert known.degC.sum(axis=1) == pytest.approx(0.0, abs=1e-9)
    X = model_matrix(fit.series, fit.looks.head(3), fit.terms)
    anywhere = draws.grade_probabilities(X).mean(axis=0)
    each = [fit.at_place(k).draws.grade_probabilities(X).mean(axis=0) for k in range(1, 5)]
    # The spread of four places is a normal's here: no more than a hundredth apart.
    assert np.mean(each, axis=0) == pytest.approx(anywhere, abs=0.012)


def test_a_place_without_a_tile_may_lie_anywhere():
    kiln = open_kiln("places", 3)
    series, plan = window_series(), window_plan(0)
    looks = fire_plan(kiln, plan)
    seen = looks[looks["rack_place"] < 3]
    rack = [
        dataclasses.replace(series, budget=dataclasses.replace(series.budget, places=count))
        for count in (2, 8)
    ]
    two, eight = (fit_stage(as_records(one, plan, seen)) for one in rack)
    assert two.effects["place"].degC.sum(axis=1) == pytest.approx(0.0, abs=1e-9)
    sd = eight.effects["place"].sd_degC * _latent_per_degC(eight)
    # Of eight places six are unknown: the spread is nearly that of all there could be.
    assert np.median(eight.draws.place_sd / sd) == pytest.approx(1.0, abs=0.2)
    assert eight.draws.place_sd.mean() > two.draws.place_sd.mean()
    between = [one.draws.thresholds.std(axis=0) for one in (two, eight)]
    assert between[0] == pytest.approx(between[1], rel=0.2)


def _latent_per_degC(fit):
    slope = fit.draws.coefficients[:, fit.columns.index(TEMPERATURE)]
    return slope / coding(fit.series, "temperature").half_width


def test_a_place_that_no_look_tells_of_is_refused(fit):
    with pytest.raises(UsageError, match="place 7 of the rack"):
        firing_windows(ask_window(fit, place=7))
    blind = dataclasses.replace(fit, effects={})
    with pytest.raises(UsageError, match="looks are of: none"):
        firing_windows(ask_window(blind, place=1))


def test_next_narrows_the_edges_of_the_place_that_the_window_is_for(fit):
    plan, here = window_plan(0), ask_window(fit, place=4)
    told = firing_windows(here).windows[0].edges
    chosen = next_tiles(here, plan).edges.set_index(["dwell_s", "side"])["width_degC"]
    compared = 0
    for edge in told:
        for side, given in (("low", edge.low_degC), ("high", edge.high_degC)):
            if given.lower is not None and given.upper is not None:
                width = given.upper - given.lower
                assert chosen[edge.dwell_s, side] == pytest.approx(width, abs=0.5)
                compared += 1
    assert compared >= 2
    anywhere = next_tiles(fit, plan).edges.set_index(["dwell_s", "side"])["width_degC"]
    assert np.abs(anywhere - chosen).max() > 1.0
    with pytest.raises(UsageError, match="place 7 of the rack"):
        next_tiles(ask_window(fit, place=7), plan)
