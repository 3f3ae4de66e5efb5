"""What a recipe is held to: every look as written, one to come, no deviation by luck."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import halfnorm

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "working_kiln"))

from kiln_records import as_records, fire_plan, window_plan, window_series
from working_kiln import open_kiln

from firelab import firing_windows, fit_stage
from firelab.windows.edges.target_at_setting import targets_of


@pytest.fixture(scope="module")
def fit():
    kiln, plan = open_kiln("all", 13), window_plan(13)
    found = fit_stage(as_records(window_series(), plan, fire_plan(kiln, plan)))
    # A look that it doubts has tests of its own.
    return replace(found, with_every_look=None)


def test_a_look_to_come_can_be_a_slip_and_few_groups_are_no_proof(fit):
    (target,) = targets_of(fit.of_promise)
    T, d = np.array([745.0]), np.array([135.0])
    found = target.probability(T, d)[:, 0]
    # By hand: each deviation drawn by itself, no less than its prior's mean.
    (plain,) = targets_of(fit)
    u, v = plain.plane.coded(T, d)
    powers = np.outer(float(u[0]) ** np.arange(3), float(v[0]) ** np.arange(3)).ravel()
    eta, stated = plain.draws.coefficients @ powers, fit.series.priors
    latent = fit.draws.load_sd / np.hypot(
        fit.effects["session"].sd_degC, fit.effects["load"].sd_degC
    )
    rng, moved = np.random.default_rng(3), np.zeros((600, fit.draws.n_draws))
    off = np.zeros(fit.draws.n_draws)
    for name, scale in (
        ("session", stated.session),
        ("load", None),
        ("place", None),
        ("observer", stated.observer),
    ):
        # There are no other places than those of the rack.
        known = fit.effects[name]
        sd = known.degC.std(axis=1) if name == "place" else known.sd_degC
        least = 0.0 if scale is None else halfnorm(scale=scale).mean()
        if name != "observer":
            moved += rng.standard_normal(moved.shape) * np.maximum(sd, least) * latent
        if name in ("session", "observer"):
            # Two of each were seen: what their mean is off by, beyond what the fit knows.
            more = np.sqrt(np.maximum(least**2 - sd**2, 0.0) / 2)
            off += rng.standard_normal(off.shape) * more * latent
    low, high = (fit.draws.thresholds[:, k] - eta - moved - off for k in (1, 2))
    tile = (expit(high) - expit(low)).mean(axis=0)
    by_hand = (1.0 - fit.slip) * tile + fit.slip / 4.0
    assert found.mean() == pytest.approx(by_hand.mean(), abs=0.006)
    assert found.std() == pytest.approx(by_hand.std(), abs=0.01)
    quantiles = [0.1, 0.25, 0.5, 0.75, 0.9]
    assert np.quantile(found, quantiles) == pytest.approx(
        np.quantile(by_hand, quantiles), abs=0.02
    )
    assert found.mean() < plain.probability(T, d).mean() - 0.01


def test_the_span_is_where_the_promise_is_kept(fit):
    (target,) = targets_of(fit.of_promise)
    T = np.linspace(700.0, 800.0, 41)
    d = np.full(41, 135.0)
    kept = target.likely_enough(T, d)
    chance = target.probability(T, d)
    clear = np.abs(chance - fit.series.window.probability) > 1e-4
    # Of far steeper draws fifteen points of an average do not make one peak.
    clear &= (target.draws.future_sd < 6.0)[:, None]
    assert clear.mean() > 0.8
    assert np.array_equal(kept[clear], (chance >= fit.series.window.probability)[clear])
    assert kept.any() and not kept.all()


def test_a_recipe_is_held_to_it_and_edges_are_not(fit):
    own, other = firing_windows(fit), firing_windows(replace(fit, effects={}, slip=0.0))
    assert own.windows[0].edges == other.windows[0].edges
    assert own.windows[0].likeliest == other.windows[0].likeliest
    assert own.windows[0].map.assurance.max() < other.windows[0].map.assurance.max()


def test_many_groups_speak_for_themselves(fit):
    known = fit.effects["session"]
    many = replace(
        known,
        sd_degC=np.full_like(known.sd_degC, 0.1),
        groups=tuple("123456"),
        degC=np.zeros((known.sd_degC.size, 6)),
    )
    only = {"session": many, "load": fit.effects["load"]}
    found = replace(fit, effects=only).of_promise
    assert found.draws.future_sd == pytest.approx(fit.draws.future_sd)
    few = replace(many, groups=("1", "2"))
    again = replace(fit, effects=only | {"session": few}).of_promise
    assert (again.draws.future_sd > fit.draws.future_sd).all()


@pytest.fixture(scope="module")
def slipped():
    """A colour with a recipe, one of its tiles written otherwise, and that tile."""
    kiln, series, plan = open_kiln("physics", 1001), window_series(), window_plan(1)
    looks = fire_plan(kiln, plan)
    honest = as_records(series, plan, looks)
    hottest = looks.sort_values(["temperature_degC", "dwell_s"]).index[-1]
    assert looks["stage"][hottest] == "over"
    wrong = as_records(series, plan, looks.assign(stage=_sugar(looks, hottest)))
    return fit_stage(honest), fit_stage(wrong), looks["tile"][hottest]


def _sugar(looks, row):
    stage = looks["stage"].astype(str)
    stage[row] = "sugar"
    return stage


def test_a_recipe_waits_for_the_look_that_is_asked_back(slipped):
    honest, wrong, tile = slipped
    assert [one["tile"] for one in wrong.unlikely] == [tile]
    assert honest.with_every_look is None
    told, asked_back = firing_windows(honest), firing_windows(wrong)
    assert told.windows[0].recipe is not None
    assert asked_back.windows[0].recipe is None
    assert asked_back.windows[0].reason_code == "look-again"
    sentence = f"Look at tile {tile} again (look 1): sugar was written, over expected."
    assert asked_back.windows[0].reason == (
        f"{sentence} As it is written no firing is sure enough."
    )
    assert "--confirm" in asked_back.windows[0].settle[0]
    assert sentence in asked_back.notes
    assert not [note for note in told.notes if "must hold with" in note]


def test_a_load_that_is_asked_back_is_named_with_the_answer(slipped):
    honest, _, _ = slipped
    misread = ({"load": 3, "hotter_degC": -50, "lower_degC": -80, "upper_degC": -30},)
    notes = firing_windows(replace(honest, misread=misread)).notes
    assert [note for note in notes if note.startswith("Load 3 came out as if 90 °F")]


def test_edges_are_those_of_the_fit_that_doubts_it(slipped):
    _, wrong, _ = slipped
    sure = firing_windows(replace(wrong, with_every_look=None))
    assert firing_windows(wrong).windows[0].edges == sure.windows[0].edges


def test_the_fit_of_every_look_has_no_slip_there_and_keeps_what_was_asked(slipped):
    _, wrong, _ = slipped
    again = wrong.with_every_look()
    # The tile is scatter then: each grade is passed over a wider range.
    assert again.slip_of_look[np.argmax(wrong.slip_of_look)] < 1e-4
    steep = [np.median(one.draws.coefficients[:, 0]) for one in (wrong, again)]
    assert steep[1] < 0.8 * steep[0]
    here = replace(wrong.series, window=replace(wrong.series.window, place=2))
    promised = replace(wrong, series=here).of_promise
    assert promised.series.window.place == 2
    assert not promised.draws.place_sd.any()
