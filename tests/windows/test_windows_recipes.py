"""Map, box, ranking and recipes against brute force over the draws."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from firelab.errors import UsageError
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.series.factors import Rule
from firelab.series.firing_series import Kiln, WindowSpecification
from firelab.series.terms import model_matrix
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.firing_windows import (
    _whole_degrees,
    firing_windows,
    map_target,
)
from firelab.windows.simulation.expected_kiln import invent_records
from firelab.windows.tolerance_box import (
    box_assurance,
    largest_box,
    surer_room,
)


def scattered(bench, *, series=None, spread=0.6, n_draws=500, **more):
    series = series or bench.make_series(**more)
    kiln = bench.make_kiln(series)
    looks = bench.looks_of(bench.make_plan(series), kiln)
    return bench.known_fit(kiln, looks, spread=spread, n_draws=n_draws)


def target_of(bench, fit):
    return next(targets_of(fit, [bench.setting]))


def by_hand(fit, degC, seconds):
    """Probability of full in every draw, from the thresholds alone, (S, n)."""
    frame = settings_at({"mesh": 80, "layers": 1, "base": "none"}, degC, seconds)
    X = model_matrix(fit.series, frame, fit.terms)
    return fit.draws.grade_probabilities(X)[..., 2]


def test_the_map_is_the_mean_over_the_draws(bench):
    fit = scattered(bench)
    found = map_target(target_of(bench, fit))
    T, d = (axis.ravel() for axis in np.meshgrid(found.temperature_degC, found.dwell_s))
    pi = by_hand(fit, T, d)
    assert found.probability.shape == (31, 31)
    assert np.allclose(found.probability.ravel(), pi.mean(axis=0), atol=2e-3)
    assert np.allclose(found.assurance.ravel(), (pi >= 0.8).mean(axis=0), atol=1e-9)


def test_every_point_of_the_box_is_assured_and_no_larger_box_is(bench):
    fit = scattered(bench)
    target = target_of(bench, fit)
    box = largest_box(target, map_target(target))
    assert box.half_side > 0.1

    def assured_by_hand(half_side):
        T = box.temperature_degC + 62.5 * half_side * np.linspace(-1, 1, 9)
        ratio = np.log(210 / 90) / 2
        d = box.dwell_s * np.exp(ratio * half_side * np.linspace(-1, 1, 9))
        grid = (axis.ravel() for axis in np.meshgrid(T, d))
        return (by_hand(fit, *grid) >= 0.8).all(axis=1).mean()

    assert assured_by_hand(box.half_side) == pytest.approx(box.assurance, abs=0.01)
    assert assured_by_hand(box.half_side) >= 0.79
    assert assured_by_hand(box.half_side + 0.03) < 0.8


def test_no_centre_of_a_fine_grid_has_a_much_larger_box(bench):
    fit = scattered(bench)
    target = target_of(bench, fit)
    box = largest_box(target, map_target(target))
    larger = [
        (T, d)
        for T in np.linspace(700, 825, 26)
        for d in np.geomspace(90, 210, 18)
        if box_assurance(target, T, d, box.half_side + 0.04) >= 0.8
        and abs(T - 762.5) < 62.5 * (1 - box.half_side - 0.04)
    ]
    assert larger == []


def test_the_recipe_stays_inside_what_was_fired(bench):
    # A target that is sure to be reached everywhere still gets a box of the range.
    fit = scattered(bench, target=("orange peel", "full", "over"), n_draws=200)
    fit.draws.thresholds[:, 0] = -40.0
    recipe = firing_windows(fit).windows[0].recipe
    assert recipe.tolerance_degC == pytest.approx(62.5, abs=4.5)
    assert recipe.temperature_degC - recipe.tolerance_degC >= 700.0 - 1e-6
    assert recipe.temperature_degC + recipe.tolerance_degC <= 825.0 + 1e-6
    assert recipe.dwell_s - recipe.tolerance_s >= 90.0 - 1e-6


def test_the_recipe_is_one_that_the_kiln_can_be_set_to(bench):
    fit = scattered(bench)
    kiln = Kiln(reads="degF", step=10.0, dwell_step=15.0)
    recipe = (
        firing_windows(replace(fit, series=replace(fit.series, kiln=kiln)))
        .windows[0]
        .recipe
    )
    degF = recipe.temperature_degC * 1.8 + 32
    # Kept in degC to 0.01, as plans keep temperatures.
    assert degF / 10 == pytest.approx(round(degF / 10), abs=1e-3)
    assert recipe.dwell_s / 15 == pytest.approx(round(recipe.dwell_s / 15))


def test_the_room_of_a_recipe_leaves_half_the_doubt_that_was_asked(bench):
    fit = scattered(bench)
    target = target_of(bench, fit)
    box = largest_box(target, map_target(target))
    surer = surer_room(target, box)
    assert (surer.temperature_degC, surer.dwell_s) == (box.temperature_degC, box.dwell_s)
    assert surer.half_side < box.half_side
    here = surer.temperature_degC, surer.dwell_s
    assert box_assurance(target, *here, surer.half_side) == surer.assurance >= 0.9
    assert box_assurance(target, *here, 1.05 * surer.half_side) < 0.9
    # Where even half a step of the kiln leaves more doubt, that is the room.
    half_width = target.plane.temperature.half_width
    step = 2.0 * 0.98 * box.half_side * half_width
    coarse = replace(fit.series, kiln=replace(fit.series.kiln, step=step))
    least = surer_room(replace(target, series=coarse), box)
    assert least.half_side == pytest.approx(0.98 * box.half_side)
    assert 0.8 <= least.assurance < 0.9


@pytest.mark.parametrize(("reads", "per_degC"), [("degC", 1.0), ("degF", 1.8)])
def test_the_tolerance_is_never_more_than_the_box(bench, reads, per_degC):
    fit = scattered(bench)
    kiln = Kiln(reads=reads, step=1.0)
    fit = replace(fit, series=replace(fit.series, kiln=kiln))
    target = target_of(bench, fit)
    box = surer_room(target, largest_box(target, map_target(target)))
    room = per_degC * box.half_side * target.plane.temperature.half_width
    recipe = firing_windows(fit).windows[0].recipe
    assert 0.01 < room % 1.0 < 0.99
    assert per_degC * recipe.tolerance_degC == pytest.approx(np.floor(room))
    assert recipe.tolerance_s == np.floor(
        box.dwell_s * (1.0 - np.exp(-box.half_side * target.plane.dwell.half_width))
    )


def test_a_recipe_never_goes_where_a_rule_forbids(bench):
    free = scattered(bench)
    box = firing_windows(free).windows[0].recipe
    edge = box.temperature_degC
    rule = Rule(never={"temperature": f">= {edge:.1f} degC"}, because="it sags")
    held = replace(free, series=replace(free.series, rules=(rule,)))
    recipe = firing_windows(held).windows[0].recipe
    assert recipe.temperature_degC + recipe.tolerance_degC < edge
    assert recipe.tolerance_degC < box.tolerance_degC


def test_settings_are_ranked_by_how_much_is_assured(bench):
    series = bench.make_series(meshes=(80, 150))
    kiln = bench.make_kiln(series, effects={"temperature": 8.0, "dwell": 2.5, "mesh": 4.0})
    looks = bench.looks_of(bench.make_plan(series), kiln)
    terms = ("temperature", "dwell", "mesh")
    fit = bench.known_fit(kiln, looks, spread=0.6, n_draws=300, terms=terms)
    windows = firing_windows(fit).windows
    assert {window.setting["mesh"] for window in windows} == {80, 150}
    shares = [window.assured_share for window in windows]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > shares[1]


def test_a_constant_dwell_leaves_a_box_in_temperature_alone(bench):
    series = bench.make_series(dwells=(150.0,))
    kiln = bench.make_kiln(series, effects={"temperature": 8.0})
    looks = bench.looks_of(bench.make_plan(series, repeats=4), kiln)
    fit = bench.known_fit(kiln, looks, spread=0.4, n_draws=300, terms=("temperature",))
    window = firing_windows(fit).windows[0]
    assert window.map.probability.shape == (1, 31)
    assert window.recipe.tolerance_s == 0.0
    assert window.recipe.tolerance_degC > 5.0
    assert window.recipe.dwell_s == 150.0


def test_more_confidence_asked_leaves_less_room(bench):
    fit = scattered(bench)
    rooms = []
    for confidence in (0.5, 0.8, 0.95):
        wish = WindowSpecification(probability=0.8, confidence=confidence)
        recipe = (
            firing_windows(replace(fit, series=replace(fit.series, window=wish)))
            .windows[0]
            .recipe
        )
        rooms.append(recipe.tolerance_degC if recipe else 0.0)
    assert rooms[0] > rooms[1] > rooms[2]


def test_recipes_called_assured_are_true(bench):
    # Over invented kilns, at confidence 0.8: the box holds the asked probability
    # everywhere in at least 80 in 100 (binomial error allowed for).
    series, held, called = bench.make_series(), 0, 0
    plan = bench.make_plan(series)
    for k in range(60):
        rng = np.random.default_rng([4, k])
        steep, low = rng.uniform(5, 10), rng.uniform(-0.6, -0.1)
        places = np.array([low - 0.3, low, low + rng.uniform(0.7, 1.3)])
        kiln = bench.make_kiln(
            series,
            thresholds=tuple(steep * places),
            effects={"temperature": steep, "dwell": 0.3 * steep},
            load_sd=rng.uniform(0, 0.8),
        )
        fit = fit_posterior(invent_records(kiln, plan, rng=rng), rng=rng, n_draws=600)
        recipe = firing_windows(fit).windows[0].recipe
        if recipe is None:
            continue
        called += 1
        T = recipe.temperature_degC + recipe.tolerance_degC * np.array([-1, -1, 1, 1])
        d = recipe.dwell_s + recipe.tolerance_s * np.array([-1, 1, -1, 1])
        held += bool(np.all(kiln.true_probability(settings_at(bench.setting, T, d)) >= 0.8))
    assert called >= 12
    assert held >= 0.8 * called - 2 * np.sqrt(called * 0.8 * 0.2)


def test_a_fit_without_draws_is_refused():
    with pytest.raises(UsageError, match="needs posterior draws"):
        firing_windows("a fit by maximum likelihood")


@pytest.mark.parametrize(
    ("reads", "room_degC", "kept"),
    [("degF", 3.4, 6 / 1.8), ("degF", 0.5, 0.0), ("degC", 3.9, 3.0), ("degC", 4.0, 4.0)],
)
def test_a_recipes_room_is_whole_degrees_rounded_down(bench, reads, room_degC, kept):
    # 3.4 degC are 6.12 degF: 6 are assured, 7 are not.
    series = bench.make_series()
    series = replace(series, kiln=replace(series.kiln, reads=reads))
    target = SimpleNamespace(series=series)
    assert _whole_degrees(room_degC, target) == pytest.approx(kept)
