"""What a load would leave of the edges' variance, and which load is chosen.

The expectation over outcomes is held to the conjugate beta-binomial result
(Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.4) and to plain loops
over every grading with scipy's logistic distribution.
"""

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.plan.extend import extend_plan
from firelab.plan.make_plan import make_plan
from firelab.plan.stock import coat_grams, mesh_grams
from firelab.series.factors import Rule
from firelab.series.series_file import design_path, read_series
from firelab.series.terms import TEMPERATURE, model_matrix
from firelab.windows.edges.edge_draws import edge_posterior
from firelab.windows.firing_odds import (
    candidate_temperatures,
    candidate_tiles,
)
from firelab.windows.firing_windows import firing_windows
from firelab.windows.sequential.load_filling import LoadHours
from firelab.windows.sequential.next_choice import NEXT_COLUMNS
from firelab.windows.sequential.next_tiles import next_tiles
from firelab.windows.sequential.outcome_tree import Outcomes, grade_probabilities
from firelab.windows.simulation.expected_kiln import (
    assumed_expectation,
    draw_expected_kiln,
    invent_records,
)

SERIES = read_series(design_path("quick-look"))


def some_draws(count, load_sd, seed=5):
    rng = np.random.default_rng(seed)
    return StageDraws(
        thresholds=np.sort(rng.normal(size=(count, 2)), axis=1),
        coefficients=rng.normal(1.0, 0.5, size=(count, 1)),
        load_sd=np.full(count, load_sd),
        tile_sd=np.zeros(count),
        link="logit",
        columns=(TEMPERATURE,),
    )


@pytest.mark.parametrize(("a", "b"), [(1.0, 1.0), (2.0, 5.0), (0.7, 3.0)])
@pytest.mark.parametrize("n_tiles", [1, 2, 4])
def test_expected_variance_is_that_of_the_beta_binomial(a, b, n_tiles):
    # Evenly spaced quantiles stand for the beta posterior without sampling error.
    p = stats.beta(a, b).ppf((np.arange(4000) + 0.5) / 4000)
    draws = StageDraws(
        thresholds=stats.logistic.ppf(p)[:, None],
        coefficients=np.empty((4000, 0)),
        load_sd=np.zeros(4000),
        tile_sd=np.zeros(4000),
        link="logit",
        columns=(),
    )
    outcomes = Outcomes.before_any(4000)
    chances = grade_probabilities(draws, np.empty((1, 0)))
    for _ in range(n_tiles):
        outcomes = outcomes.with_tile(chances[:, 0])
    before = a * b / ((a + b) ** 2 * (a + b + 1))
    after = before * (a + b) / (a + b + n_tiles)
    assert outcomes.variance(p[:, None])[0] == pytest.approx(after, rel=2e-3)


@pytest.mark.parametrize("tile_sd", [0.0, 0.5, 1.0])
def test_a_new_tile_brings_the_deviation_of_its_own(tile_sd):
    # A normal deviation about a probit is a probit: Phi(t / sqrt(1 + s^2)), such as
    # Owen (1980), Commun. Stat. B 9, 389-419, no. 10,010.8; cited from memory.
    draws = StageDraws(
        thresholds=np.array([[-1.0, 0.4, 1.7]]),
        coefficients=np.array([[1.0]]),
        load_sd=np.array([0.3]),
        tile_sd=np.array([tile_sd]),
        link="probit",
        columns=(TEMPERATURE,),
    )
    X = np.array([[-0.5], [0.0], [0.8]])
    points, weights = np.polynomial.hermite_e.hermegauss(5)
    found = grade_probabilities(draws, X)[0]
    for place, point in enumerate(points):
        spread = np.sqrt(1.0 + tile_sd**2)
        cuts = (draws.thresholds - X - 0.3 * point) / spread
        below = np.column_stack([np.zeros(3), stats.norm.cdf(cuts), np.ones(3)])
        assert found[:, :, place] == pytest.approx(np.diff(below, axis=1), abs=1e-5)
    assert found.sum(axis=1) @ weights == pytest.approx(weights.sum())


@pytest.mark.parametrize("load_sd", [0.0, 0.8])
def test_every_grading_of_a_load_is_followed(load_sd):
    draws = some_draws(50, load_sd)
    edges = np.column_stack([draws.thresholds[:, 0], draws.thresholds[:, 1] ** 2])
    X = np.array([[-0.5], [0.3], [1.0]])
    chances = grade_probabilities(draws, X)
    outcomes = Outcomes.before_any(50).with_tile(chances[:, 0]).with_tile(chances[:, 1])
    found = outcomes.variance_with_each(chances, edges)[2]
    points, weights = np.polynomial.hermite_e.hermegauss(5)
    weights = weights / weights.sum()
    expected = np.zeros(2)
    for grades in itertools.product(range(3), repeat=3):
        likelihood = np.zeros(50)
        for point, weight in zip(points, weights, strict=True):
            part = np.full(50, weight)
            for tile, grade in enumerate(grades):
                eta = draws.coefficients[:, 0] * X[tile, 0] + load_sd * point
                cuts = np.column_stack(
                    [np.full(50, -np.inf), draws.thresholds, np.full(50, np.inf)]
                )
                cdf = stats.logistic.cdf(cuts - eta[:, None])
                part = part * (cdf[:, grade + 1] - cdf[:, grade])
            likelihood += part
        weight = likelihood / likelihood.sum()
        mean = weight @ edges
        expected += likelihood.mean() * (weight @ (edges - mean) ** 2)
    assert found == pytest.approx(expected, rel=1e-9)


def test_a_new_load_has_an_effect_of_its_own():
    draws = some_draws(60, 1.5)
    chances = grade_probabilities(draws, np.array([[0.2]]))
    edges = draws.thresholds
    one = Outcomes.before_any(60).with_tile(chances[:, 0])
    together = one.with_tile(chances[:, 0]).variance(edges).sum()
    apart = one.next_load().with_tile(chances[:, 0]).variance(edges).sum()
    # Two tiles that share a load's effect tell less than two that do not.
    assert apart < together


def test_many_ways_are_sampled_without_losing_the_answer():
    draws = some_draws(300, 0.4)
    chances = grade_probabilities(draws, np.linspace(-1, 1, 6)[:, None])
    edges = draws.thresholds
    outcomes, whole = Outcomes.before_any(300), 1.0
    for tile in range(6):
        outcomes = outcomes.with_tile(chances[:, tile])
        assert outcomes.chance.sum() == pytest.approx(whole)
    # 729 gradings by plain weights, no load effect left out.
    joint = Outcomes.before_any(300).joint
    total = np.zeros(2)
    for grades in itertools.product(range(3), repeat=6):
        part = joint[:, 0]
        for tile, grade in enumerate(grades):
            part = part * chances[:, tile, grade]
        likelihood = part.sum(axis=1)
        weight = likelihood / likelihood.sum()
        total += likelihood.sum() * (weight @ (edges - weight @ edges) ** 2)
    assert outcomes.variance(edges) == pytest.approx(total, rel=0.05)


def fired(series, seed):
    plan = make_plan(series, series_hash="0" * 64)
    rng = np.random.default_rng(seed)
    kiln = draw_expected_kiln(series, assumed_expectation(series), rng=rng)
    records = invent_records(kiln, plan, rng=rng)
    return kiln, plan, fit_posterior(records, rng=rng, n_draws=600), records


@pytest.fixture(scope="module")
def quick():
    return fired(SERIES, 11)


def roomy(series, **budget):
    return dataclasses.replace(
        series, budget=dataclasses.replace(series.budget, loads=12, blanks=30, **budget)
    )


def asking(fit, series):
    return dataclasses.replace(fit, series=series)


def test_the_next_load_is_one_temperature_inside_the_range(quick):
    _, plan, fit, _ = quick
    series = roomy(SERIES)
    chosen = next_tiles(asking(fit, series), plan, n_loads=2)
    table = chosen.table
    assert list(table.columns) == list(NEXT_COLUMNS)
    assert chosen.stop is None
    low, high = SERIES.span("temperature")
    assert table["temperature_degC"].between(low, high).all()
    assert table["dwell_s"].between(*SERIES.span("dwell")).all()
    assert (table.groupby("load")["temperature_degC"].nunique() < 2).all()
    assert (table.groupby("load").size() <= SERIES.budget.places).all()
    assert (chosen.edges["expected_degC"] < chosen.edges["width_degC"]).all()
    assert "next load 1:" in chosen.summary()


def test_the_choice_is_the_same_every_time(quick):
    _, plan, fit, _ = quick
    once = next_tiles(asking(fit, roomy(SERIES)), plan)
    again = next_tiles(asking(fit, roomy(SERIES)), plan)
    assert once.to_dict() == again.to_dict()


def test_the_chosen_load_leaves_less_variance_than_any_load_of_one_setting(quick):
    _, plan, fit, _ = quick
    series = roomy(SERIES)
    fit = asking(fit, series)
    now = edge_posterior(fit)
    kept = np.linspace(0, fit.draws.n_draws - 1, 400).round().astype(int)
    draws, edges = fit.draws.take(kept), now.draws[kept]

    def left(tiles):
        chances = grade_probabilities(draws, model_matrix(series, tiles, fit.terms))
        outcomes = Outcomes.before_any(400)
        for place in range(len(tiles)):
            outcomes = outcomes.with_tile(chances[:, place])
        return outcomes.variance(edges).sum()

    best = left(next_tiles(fit, plan, fire_on=False).table)
    for degC in candidate_temperatures(series)[::4]:
        for _, row in candidate_tiles(series, degC).iterrows():
            same = pd.DataFrame([row, row]).infer_objects()
            assert best <= left(same) * (1 + 1e-9)


def test_the_load_is_chosen_by_what_it_takes_away_per_kiln_hour(quick, monkeypatch):
    _, plan, fit, _ = quick
    fit = asking(fit, roomy(SERIES))
    first = next_tiles(fit, plan, fire_on=False)
    dear = float(first.table["temperature_degC"].iloc[0])

    class Dear(LoadHours):
        def __call__(self, tiles):
            hours = super().__call__(tiles)
            return 100.0 * hours if (tiles["temperature_degC"] == dear).all() else hours

    monkeypatch.setattr("firelab.windows.sequential.next_tiles.LoadHours", Dear)
    second = next_tiles(fit, plan, fire_on=False)
    assert float(second.table["temperature_degC"].iloc[0]) != dear
    assert second.hours < 10.0 * first.hours


def test_rules_and_powder_bind(quick):
    _, plan, fit, _ = quick
    low, high = SERIES.span("temperature")
    rule = Rule(never={"dwell": "> 2 min"})
    ruled = dataclasses.replace(roomy(SERIES), rules=(rule,))
    chosen = next_tiles(asking(fit, ruled), plan, n_loads=3)
    assert (chosen.table["dwell_s"] <= 120.0).all()
    used = mesh_grams(SERIES, plan.tiles)[80]
    three = used + 3.5 * coat_grams(SERIES)
    poor = roomy(SERIES, grams={80: three})
    chosen = next_tiles(asking(fit, poor), plan, n_loads=4, fire_on=False)
    assert len(chosen.table) == 3
    assert low <= chosen.table["temperature_degC"].min()
    assert chosen.table["temperature_degC"].max() <= high


def test_it_says_when_to_stop(quick):
    _, plan, fit, _ = quick
    spent = dataclasses.replace(
        SERIES, budget=dataclasses.replace(SERIES.budget, blanks=plan.n_tiles)
    )
    stopped = next_tiles(asking(fit, spent), plan, fire_on=False)
    assert stopped.stop_code == "spent"
    assert "blanks" in stopped.summary()
    assert stopped.table.empty
    sure = dataclasses.replace(
        roomy(SERIES),
        window=dataclasses.replace(SERIES.window, probability=0.3, confidence=0.5),
    )
    windows = firing_windows(asking(fit, sure))
    assert any(window.recipe for window in windows.windows)
    stopped = next_tiles(asking(fit, sure), plan, windows=windows)
    assert stopped.stop_code == "assured"
    assert stopped.summary() == "You can stop: a recipe is assured."
    finer = dataclasses.replace(
        windows.windows[0],
        setting={**windows.windows[0].setting, "mesh": 150},
        recipe=None,
    )
    both = dataclasses.replace(windows, windows=(*windows.windows, finer))
    told = next_tiles(asking(fit, sure), plan, windows=both).summary()
    assert told == "You can stop: a recipe is assured; none yet for 150 mesh."


def test_it_stops_for_the_right_reason(quick):
    _, plan, fit, _ = quick
    stopped = next_tiles(asking(fit, roomy(SERIES)), plan, most_new=0, fire_on=False)
    assert stopped.stop_code == "nothing-allowed"
    assert stopped.summary() == (
        "Nothing can be fired: no tile can be fired on, and no new one was asked for."
    )
    rule = Rule(never={"temperature": "> 500 degC"})
    ruled = dataclasses.replace(roomy(SERIES), rules=(rule,))
    stopped = next_tiles(asking(fit, ruled), plan)
    assert stopped.summary() == (
        "Nothing can be fired: the rules of series.toml forbid every firing."
    )
    none = roomy(SERIES, grams={80: mesh_grams(SERIES, plan.tiles)[80]})
    stopped = next_tiles(asking(fit, none), plan, fire_on=False)
    assert stopped.stop == "no powder is left for a tile of any setting"
    hours = plan.time_h["total"] + 0.01
    short = roomy(SERIES, hours=hours)
    stopped = next_tiles(asking(fit, short), plan)
    assert stopped.stop_code == "spent"
    assert stopped.stop.startswith("no load fits into the 0.0 kiln hours that are left")


def test_no_load_takes_more_hours_than_are_left(quick):
    _, plan, fit, _ = quick
    two = next_tiles(asking(fit, roomy(SERIES)), plan, n_loads=2, fire_on=False)
    left = 0.9 * two.hours
    short = roomy(SERIES, hours=plan.time_h["total"] + left)
    chosen = next_tiles(asking(fit, short), plan, n_loads=2, fire_on=False)
    assert set(chosen.table["load"]) == {1}
    assert 0 < chosen.hours <= left


def test_grades_that_fall_with_heat_are_looked_at_before_more_is_fired(quick):
    _, plan, fit, _ = quick
    windows = firing_windows(asking(fit, roomy(SERIES)))
    first = dataclasses.replace(
        windows.windows[0], recipe=None, reason_code="grades-fall", settle=("look again",)
    )
    fallen = dataclasses.replace(windows, windows=(first,))
    stopped = next_tiles(asking(fit, roomy(SERIES)), plan, windows=fallen)
    assert stopped.stop_code == "contradiction"
    assert stopped.summary() == (
        "Look at the records first: the grades fall with heat; look again."
    )


def test_a_chosen_session_narrows_the_edges_about_as_much_as_expected():
    """The expected widths against what firing three loads gave, 6 invented colours.

    That of single loads is held by the short version of the study of next tiles.
    """
    ratios, fired_on = [], 0
    series = roomy(SERIES)
    for seed in range(6):
        rng = np.random.default_rng([seed, 5])
        kiln = draw_expected_kiln(SERIES, assumed_expectation(SERIES), rng=rng)
        plan, widths = make_plan(SERIES, series_hash="0" * 64), []
        for step in range(2):
            # A plan that has grown gives the same looks first: tiles are fired on.
            fire = np.random.default_rng([seed, 6])
            records = invent_records(kiln, plan, rng=fire, growing=True)
            fit = fit_posterior(records, rng=rng, n_draws=600)
            widths.append(edge_posterior(fit).widths(0.9).mean())
            if step == 0:
                chosen = next_tiles(asking(fit, series), plan, n_loads=3)
                plan = extend_plan(series, plan, chosen.table)
                fired_on += int((chosen.table["tile"] != "").sum())
        then, now = (chosen.edges[f"{name}_degC"].mean() for name in ("expected", "width"))
        ratios.append(widths[1] / widths[0] * now / then)
    assert fired_on > 6
    error = np.std(ratios) / np.sqrt(len(ratios))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.1 + 3 * error)
    assert np.mean(ratios) < 1.3
