"""Which tiles can be fired on, and what their next look would tell.

With a probit link and no load effect two looks at one tile are two cuts through a
bivariate normal: chances are held to scipy's distribution, and to plain averages
over many invented tiles.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from firelab.fits.ordinal.priors import latent_sd
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.plan.stock import mesh_grams
from firelab.series.terms import DWELL, TEMPERATURE
from firelab.windows.sequential.fire_on import (
    MOST_FIRINGS,
    tiles_to_fire_on,
    with_tile_deviation,
)
from firelab.windows.sequential.next_tiles import next_tiles
from firelab.windows.sequential.outcome_tree import LOAD_POINTS

HOT, COOL = 790.0, 740.0


def one_draw(tile_sd, link="probit", load_sd=0.0):
    return StageDraws(
        thresholds=np.array([[-2.0, -0.5, 1.5]]),
        coefficients=np.array([[3.0, 1.0]]),
        load_sd=np.array([load_sd]),
        tile_sd=np.array([tile_sd]),
        link=link,
        columns=(TEMPERATURE, DWELL),
    )


def fit_of(bench, draws, looks, series=None):
    kiln = bench.make_kiln(series or bench.make_series())
    fit = bench.known_fit(kiln, looks)
    return dataclasses.replace(fit, draws=draws, link=draws.link)


def looked_at(bench, *rows):
    """Graded looks: tile, look, load, temperature, own dwell, counted dwell, grade."""
    columns = ["tile", "look", "load", "temperature_degC", "own_dwell_s", "dwell_s"]
    frame = pd.DataFrame([row[:6] for row in rows], columns=columns)
    grades = bench.make_series().responses.stage.grades
    stage = pd.Categorical([row[6] for row in rows], list(grades), ordered=True)
    had, before = {}, []
    for row in rows:
        before.append(had.get(row[0], ()))
        hot = bench.make_series().blank.time_at_heat(row[3], row[4])
        had[row[0]] = (*before[-1], (row[3], hot))
    return frame.assign(
        last_look=frame.groupby("tile")["look"].transform("max"),
        stage=stage,
        before=pd.Series(before, dtype="object"),
        mesh=80,
        grain_um=180.0,
        layers=1,
        base="none",
        role="test",
        defects="",
    )


def plan_of(bench, looks):
    plan = bench.make_plan(bench.make_series())
    rows = pd.concat([plan.tiles.iloc[[0]]] * len(looks), ignore_index=True)
    return dataclasses.replace(plan, tiles=rows.assign(tile=looks["tile"].to_numpy()))


def latent(bench, degC, dwell):
    heat, time = (degC - 762.5) / 62.5, np.log(dwell / np.sqrt(90.0 * 210.0))
    return 3.0 * heat + time / (0.5 * np.log(210.0 / 90.0))


@pytest.mark.parametrize("tile_sd", [0.4, 1.0, 2.0])
def test_the_chances_of_a_second_look_are_those_of_the_bivariate_normal(bench, tile_sd):
    looks = looked_at(bench, ("T1", 1, 1, COOL, 120.0, 120.0, "orange peel"))
    draws = one_draw(tile_sd)
    on = tiles_to_fire_on(fit_of(bench, draws, looks), plan_of(bench, looks), draws)
    firings = on.firings_at(HOT)
    found = on.chances(firings)[0, :, :, 0]
    cuts = np.array([-40.0, *draws.thresholds[0], 40.0])
    spread = np.sqrt(1.0 + tile_sd**2)
    rho = tile_sd**2 / spread**2
    first = (cuts[1:3] - latent(bench, COOL, 120.0)) / spread
    per_degC, per_log_s = 3.0 / 62.5, 1.0 / (0.5 * np.log(210.0 / 90.0))
    blank = bench.make_series().blank
    at_heat = 120.0 - blank.warm_up_s(COOL)
    worth = at_heat * np.exp(per_degC / per_log_s * (COOL - HOT))
    for place, dwell in enumerate(firings["own_dwell_s"]):
        ends = (cuts - latent(bench, HOT, dwell + worth)) / spread

        def below(a, b):
            return stats.multivariate_normal.cdf([a, b], cov=[[1.0, rho], [rho, 1.0]])

        joint = [below(first[1], end) - below(first[0], end) for end in ends]
        wanted = np.diff(joint) / np.diff(stats.norm.cdf(first))
        # Fused to orange peel already: what would be sugar stays that.
        wanted = np.array([0.0, wanted[0] + wanted[1], *wanted[2:]])
        assert found[place] == pytest.approx(wanted, abs=2e-3)
    assert len(firings) > 2


def test_with_a_load_effect_the_chances_are_those_among_many_tiles(bench):
    hot = 60.0 + bench.make_series().blank.time_at_heat(COOL, 120.0)
    looks = looked_at(
        bench,
        ("T1", 1, 1, COOL, 120.0, 120.0, "sugar"),
        ("T1", 2, 2, COOL, 60.0, hot, "orange peel"),
    )
    draws = one_draw(1.2, link="logit", load_sd=0.9)
    on = tiles_to_fire_on(fit_of(bench, draws, looks), plan_of(bench, looks), draws)
    firings = on.firings_at(COOL)
    found = on.chances(firings)[0]
    _, weights = np.polynomial.hermite_e.hermegauss(LOAD_POINTS)
    rng, n = np.random.default_rng(6), 400_000
    tile = 1.2 * rng.standard_normal(n)
    eta = np.array([latent(bench, COOL, s) for s in (120.0, hot)])
    seen = eta + 0.9 * rng.standard_normal((n, 2)) + tile[:, None]
    seen += rng.logistic(size=(n, 2))
    grade = (seen[:, :, None] > draws.thresholds[0]).sum(axis=2)
    kept = tile[(grade[:, 0] == 0) & (grade[:, 1] == 1)]
    place = 1
    third = latent(bench, COOL, firings["dwell_s"].iloc[place]) + 0.9 * rng.standard_normal(
        kept.size
    )
    third += kept + rng.logistic(size=kept.size)
    last = np.maximum((third[:, None] > draws.thresholds[0]).sum(axis=1), 1)
    share = np.bincount(last, minlength=4) / kept.size
    averaged = found[place] @ (weights / weights.sum())
    assert averaged == pytest.approx(share, abs=4 * 0.5 / np.sqrt(kept.size))
    assert kept.size > 10_000


def test_over_fired_spoilt_worn_and_waiting_tiles_stay_out(bench):
    rows = [
        ("sugar", 1, 1, COOL, 120.0, 120.0, "sugar"),
        ("full", 1, 1, COOL, 120.0, 120.0, "full"),
        ("over", 1, 1, COOL, 120.0, 120.0, "over"),
        ("chipped", 1, 1, COOL, 120.0, 120.0, "sugar"),
        ("waiting", 1, 1, COOL, 120.0, 120.0, "sugar"),
        ("ungraded", 1, 1, COOL, 120.0, 120.0, "sugar"),
        *[("worn", k, k, COOL, 60.0, 60.0 * k, "sugar") for k in range(1, 4)],
        *[("twice", k, k, COOL, 60.0, 60.0 * k, "sugar") for k in range(1, 3)],
    ]
    looks = looked_at(bench, *rows)
    looks.loc[looks["tile"] == "chipped", "defects"] = "chip"
    # Looked at once more, but nobody wrote down a grade.
    looks.loc[looks["tile"] == "ungraded", "last_look"] = 2
    plan = plan_of(bench, looks)
    # One tile has a further firing planned, that was not looked at yet.
    more = plan.tiles[plan.tiles["tile"] == "waiting"]
    plan = dataclasses.replace(plan, tiles=pd.concat([plan.tiles, more]))
    draws = one_draw(1.0)
    on = tiles_to_fire_on(fit_of(bench, draws, looks), plan, draws)
    assert sorted(on.table["tile"]) == ["full", "sugar", "twice"]
    assert MOST_FIRINGS == 3
    assert sorted(on.without({"full"}).table["tile"]) == ["sugar", "twice"]


def test_without_a_second_look_the_split_leaves_first_looks_as_they_were():
    n = 400
    plain = StageDraws(
        thresholds=np.tile([-2.0, 1.0], (n, 1)),
        coefficients=np.ones((n, 1)),
        load_sd=np.zeros(n),
        tile_sd=np.zeros(n),
        link="logit",
        columns=(TEMPERATURE,),
    )
    apart = with_tile_deviation(plain, 2.0)
    # Half-normal: its median and its mean (Johnson, Kotz, Balakrishnan 1994).
    assert np.median(apart.tile_sd) == pytest.approx(
        2.0 * stats.halfnorm.median(), rel=0.01
    )
    assert apart.tile_sd.mean() == pytest.approx(2.0 * np.sqrt(2 / np.pi), rel=0.01)
    X = np.linspace(-2, 2, 5)[:, None]
    one, other = (d.grade_probabilities(X).cumsum(axis=2) for d in (plain, apart))
    # A logistic and a normal together are no logistic, but close to it.
    assert other == pytest.approx(one, abs=0.04)
    ratio = apart.thresholds[:, 0] / -2.0
    spread = np.hypot(latent_sd("logit"), apart.tile_sd)
    assert spread / ratio == pytest.approx(np.full(n, latent_sd("logit")))
    assert with_tile_deviation(apart, 5.0) is apart


@pytest.fixture(scope="module")
def worn_out(bench):
    """A fit of a plan that took every blank of the budget."""
    series = bench.make_series()
    kiln, plan = bench.make_kiln(series), bench.make_plan(series)
    looks = bench.looks_of(plan, kiln)
    fit = bench.known_fit(kiln, looks, spread=2.0, n_draws=300)
    budget = dataclasses.replace(series.budget, blanks=plan.n_tiles, loads=12)
    series = dataclasses.replace(series, budget=budget)
    return dataclasses.replace(fit, series=series), plan, looks


def test_without_blanks_a_load_is_made_of_tiles_fired_on(worn_out):
    fit, plan, looks = worn_out
    chosen = next_tiles(fit, plan, n_loads=2)
    assert chosen.stop is None
    table = chosen.table
    assert (table["tile"] != "").all()
    assert not table["tile"].duplicated().any()
    graded = looks.set_index("tile")["stage"].astype(str)
    assert "over" not in set(graded[table["tile"]])
    assert "fired on for" in chosen.summary()
    stopped = next_tiles(fit, plan, fire_on=False)
    assert (stopped.stop_code, "blanks" in stopped.summary()) == ("spent", True)


def test_new_tiles_of_a_load_are_held_to_what_is_asked(worn_out):
    fit, plan, _ = worn_out
    budget = dataclasses.replace(fit.series.budget, blanks=None, places=4)
    series = dataclasses.replace(fit.series, budget=budget)
    fit = dataclasses.replace(fit, series=series)
    for most_new in (0, 1):
        table = next_tiles(fit, plan, n_loads=2, most_new=most_new).table
        assert len(table) == 8
        assert ((table["tile"] == "").groupby(table["load"]).sum() <= most_new).all()
    table = next_tiles(fit, plan, most_new=2, fire_on=False).table
    assert table["tile"].tolist() == ["", ""]


def test_tiles_fired_on_take_no_powder_and_no_preparation(worn_out):
    fit, plan, _ = worn_out
    grams = {80: mesh_grams(fit.series, plan.tiles)[80]}
    budget = dataclasses.replace(fit.series.budget, blanks=None, grams=grams)
    fit = dataclasses.replace(fit, series=dataclasses.replace(fit.series, budget=budget))
    chosen = next_tiles(fit, plan)
    assert (chosen.table["tile"] != "").all()
    # One firing at one temperature: its longest dwell, the change and the recovery.
    seconds = chosen.table["dwell_s"].max() + budget.change + budget.recovery
    assert chosen.hours == pytest.approx(seconds / 3600.0, abs=1e-3)
