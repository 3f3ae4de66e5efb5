"""The stage posterior of records: calibrated, unbreakable, honest about itself."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.priors import scaled_spreads
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.warming_up import warming_up, with_warm_up
from firelab.fits.stage import fit_stage, prior_sensitivity
from firelab.records.records import Records
from firelab.series.factors import BaseFactor, DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Enamel, FiringSeries, Model
from firelab.series.folder import Provenance
from firelab.series.terms import model_matrix, term_columns

PROVENANCE = Provenance(series_hash="", seed=1, versions={}, sources={})


def series_of(**more):
    return FiringSeries(
        name="records",
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(
                levels=(700.0, 725.0, 750.0, 775.0, 800.0, 825.0)
            ),
            dwell=DwellFactor(levels=(90.0, 120.0, 160.0, 210.0)),
        ),
        **more,
    )


def frame_of(series, n_loads=6):
    rows = [
        {"load": k, "temperature_degC": T, "dwell_s": d}
        for k, T in enumerate(series.factors.temperature.levels[:n_loads])
        for d in series.factors.dwell.levels
    ]
    frame = pd.DataFrame(rows)
    return frame.assign(
        tile=[f"T{k}" for k in range(len(frame))],
        mesh=80,
        grain_um=180.0,
        layers=1,
        base="none",
        role="test",
        total_dwell_s=frame["dwell_s"],
    )


def records_of(series, frame, places):
    grades = list(series.responses.stage.grades)
    frame = frame.assign(look=frame.groupby("tile").cumcount() + 1)
    stage = pd.Categorical.from_codes(np.asarray(places), grades, ordered=True)
    return Records(
        series=series, plan=None, looks=frame.assign(stage=stage), provenance=PROVENANCE
    )


def grade_at(series, frame, rng, cuts=(-2.4, -0.4, 2.4), slope=4.0, load_sd=0.4):
    eta = model_matrix(series, frame, series.varied) @ [slope, 0.35 * slope]
    loads = load_sd * rng.standard_normal(frame["load"].max() + 1)
    latent = eta + loads[frame["load"]] + rng.logistic(size=len(frame))
    return (latent[:, None] > np.array(cuts)).sum(axis=1)


@pytest.fixture(scope="module")
def good():
    series = series_of()
    frame = frame_of(series)
    return records_of(series, frame, grade_at(series, frame, np.random.default_rng(1)))


def test_ranks_of_the_truth_are_uniform_when_the_prior_is_the_truth():
    # Simulation-based calibration (Talts et al. 2018): truths from the prior.
    series = series_of()
    frame, terms = frame_of(series), with_warm_up(series, series.terms)
    layout = parameterise(
        series,
        term_columns(series, terms),
        link="logit",
        effects=("session", "load"),
        has_slips=True,
        at_heat=warming_up(series, terms),
    )
    priors = make_priors(series, layout, link="logit")
    X = model_matrix(series, frame, terms)
    ranks = []
    for k in range(80):
        rng = np.random.default_rng([9, k])
        point = priors.mean + priors.sd * rng.standard_normal(layout.n_parameters)
        truth = layout.stage_parameters(point[None])
        session, load = truth.sd[0]
        loads = load * rng.standard_normal(6) + session * rng.standard_normal()
        latent = X @ truth.coefficients[0] + loads[frame["load"]]
        latent = latent + rng.logistic(size=len(frame))
        places = (latent[:, None] > truth.thresholds[0]).sum(axis=1)
        slips = rng.random(len(frame)) < truth.slip[0]
        places = np.where(slips, rng.integers(0, 4, len(frame)), places)
        fit = fit_posterior(records_of(series, frame, places), rng=rng, n_draws=500)
        draws = fit.draws
        edges = draws.thresholds / draws.coefficients[:, :1]
        true_edges = truth.thresholds[0] / truth.coefficients[0, 0]
        ranks.append(
            [
                *(edges < true_edges).mean(axis=0),
                (draws.coefficients[:, 0] < truth.coefficients[0, 0]).mean(),
                (draws.coefficients[:, 1] < truth.coefficients[0, 1]).mean(),
                (draws.load_sd < np.hypot(session, load)).mean(),
                (fit.slip < truth.slip[0]).mean(),
            ]
        )
    for column in np.array(ranks).T:
        assert stats.kstest(column, stats.uniform.cdf).pvalue > 0.005


def test_the_same_seed_gives_the_same_draws(good):
    first, again = fit_stage(good), fit_stage(good)
    assert np.array_equal(first.draws.thresholds, again.draws.thresholds)
    other = fit_stage(good, rng=np.random.default_rng(77))
    assert not np.array_equal(first.draws.thresholds, other.draws.thresholds)


def test_the_order_of_rows_does_not_matter(good):
    turned = replace(good, looks=good.looks.sample(frac=1.0, random_state=3))
    first, again = fit_stage(good).draws, fit_stage(turned).draws
    assert np.allclose(first.thresholds, again.thresholds, atol=1e-6)


def test_heat_never_unfuses(good):
    fit = fit_stage(good)
    (low, high), (short, long) = fit.series.span("temperature"), fit.series.span("dwell")
    for degC, seconds in (((low, high), (short, short)), ((low, low), (short, long))):
        ends = good.looks.iloc[[0, 1]].assign(temperature_degC=degC, dwell_s=seconds)
        eta = fit.draws.linear(model_matrix(fit.series, ends, fit.terms))
        assert np.diff(eta, axis=1).min() > 0
    assert np.diff(fit.draws.thresholds, axis=1).min() > 0


@pytest.mark.parametrize("places", [[0], [3], [0, 3], [1, 1]], ids=str)
def test_a_tile_or_two_are_enough_for_a_posterior(places):
    series = series_of()
    frame = frame_of(series).iloc[: len(places)]
    fit = fit_posterior(records_of(series, frame, places), n_draws=500)
    assert np.isfinite(fit.table[["mean", "sd", "lower", "upper"]].to_numpy()).all()
    assert fit.convergence.code == 0


def test_complete_separation_and_empty_grades_are_no_trouble():
    series = series_of()
    frame = frame_of(series)
    hot = (frame["temperature_degC"] > 760).to_numpy()
    fit = fit_posterior(records_of(series, frame, np.where(hot, 3, 0)), n_draws=1000)
    steep = fit.draws.coefficients[:, 0]
    assert fit.convergence.code == 0
    assert 2.0 < np.median(steep) < 60.0
    step = 762.5 + 62.5 * fit.draws.thresholds[:, 1] / steep
    # The only step lies between the hottest sugar (750) and the coolest over (775).
    assert 735 < np.quantile(step, 0.05) < np.quantile(step, 0.95) < 790


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=True,
)
@given(data=st.data())
def test_fuzzed_tables_always_give_finite_draws(data):
    series = series_of()
    n = data.draw(st.integers(4, 40))
    pick = st.integers(0, 2**31)
    rng = np.random.default_rng(data.draw(pick))
    frame = pd.DataFrame(
        {
            "load": rng.integers(0, max(1, n // data.draw(st.integers(1, 6))), n),
            "temperature_degC": rng.choice([700.0, 760.0, 825.0], n),
            "dwell_s": rng.choice([90.0, 210.0], n),
            "mesh": 80,
            "layers": 1,
            "base": "none",
            "role": "test",
        }
    )
    again = data.draw(st.booleans())
    frame["tile"] = [f"T{k // 2 if again else k}" for k in range(n)]
    frame["total_dwell_s"] = frame["dwell_s"]
    places = rng.integers(0, data.draw(st.integers(1, 4)), n)
    link = data.draw(st.sampled_from(["logit", "probit", "cloglog", "loglog"]))
    fit = fit_posterior(records_of(series, frame, places), link=link, n_draws=200)
    for part in (fit.draws.thresholds, fit.draws.coefficients, fit.draws.future_sd):
        assert np.isfinite(part).all()
    assert fit.convergence.message


def test_looks_again_at_one_tile_get_an_effect_of_their_own():
    series = series_of()
    frame = frame_of(series)
    rng = np.random.default_rng(5)
    frame["tile"] = [f"T{k % 12}" for k in range(len(frame))]
    places = grade_at(series, frame, rng)
    fit = fit_posterior(records_of(series, frame, places), n_draws=1000)
    assert fit.has_tile_effect
    assert fit.effects["tile"].degC.shape == (1000, 12)
    assert np.all(fit.draws.tile_sd > 0)
    assert fit.convergence.code == 0
    assert np.all(fit.draws.future_sd >= fit.draws.load_sd)
    assert any("looked at again" in line for line in fit.priors)


def test_a_reversed_scale_turns_the_links(good):
    # P(y <= j) under cloglog is P(y > j) under loglog of the reversed grades; only
    # effects that may take either sign can be turned, so the base carries it.
    series = series_of()
    plain = fit_posterior(good, link="cloglog", n_draws=500)
    turned = fit_posterior(good, link="loglog", n_draws=500)
    assert plain.draws.link == "cloglog"
    assert not np.allclose(plain.draws.thresholds, turned.draws.thresholds)
    assert series.responses.stage.grades == plain.grades


def test_interactions_and_squares_are_fitted():
    series = series_of(model=Model(interactions=("temperature:dwell", "temperature^2")))
    frame = frame_of(series)
    places = grade_at(series, frame, np.random.default_rng(6))
    fit = fit_posterior(records_of(series, frame, places), n_draws=500)
    assert tuple(map(str, fit.columns)) == (
        "temperature",
        "dwell",
        "temperature:dwell",
        "temperature^2",
        "dwell^2",
    )
    # The truth has neither: both are drawn to 0. That of warming up is tied.
    assert np.all(np.abs(fit.draws.coefficients[:, 2:4].mean(axis=0)) < 2.0)
    assert any("products and squares" in line for line in fit.priors)


def test_priors_can_be_stated_in_the_series(good):
    wish = replace(good.series.priors, load=15.0, blur=9.0)
    series = replace(good.series, priors=wish)
    fit = fit_stage(replace(good, series=series))
    assert np.median(fit.draws.load_sd) > 2 * np.median(fit_stage(good).draws.load_sd)
    assert series.kiln.reads == "degF"
    assert any("over 16.2 °F (9 °C; 80 %" in line for line in fit.priors)


def test_wider_and_narrower_priors_move_the_answer_little_where_tiles_speak(good):
    told = prior_sensitivity(good, fit_stage(good))
    assert 0 <= told.doubled < told.interval
    assert 0 <= told.halved < told.interval
    assert told.unit == "degC"
    assert "doubled" in told.words and "\n" not in told.words


def test_scaled_priors_keep_their_medians(good):
    wide = scaled_spreads(good.series.priors, 2.0)
    assert wide.blur == good.series.priors.blur
    assert wide.blur_spread == pytest.approx(2 * good.series.priors.blur_spread)
    assert wide.load == pytest.approx(2 * good.series.priors.load)


def test_a_fit_tells_its_quality_and_its_priors(good):
    fit = fit_stage(good)
    told = fit.to_dict()
    assert told["convergence"]["pareto_k"] < 0.7
    assert told["convergence"]["effective_size"] > 500
    assert told["priors"] == list(fit.priors)
    assert sum(told["grade_counts"].values()) == 24
    assert "priors:" in fit.details()
    assert list(fit.table["kind"].unique()) == ["threshold", "coefficient", "deviation"]


def test_no_graded_look_is_refused(good):
    empty = replace(good, looks=good.looks.assign(stage=pd.Categorical([None] * 24)))
    with pytest.raises(RecordsInsufficient, match="no look carries a stage"):
        fit_stage(empty)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"method": "guess"}, "no method 'guess'"),
        ({"link": "cauchit"}, "no link 'cauchit'"),
    ],
)
def test_unknown_choices_are_refused(good, more, words):
    with pytest.raises(UsageError, match=words):
        fit_stage(good, **more)


@pytest.mark.parametrize("name", ["hard: clear", "flux ^2", "a]:b[c"])
def test_a_base_gets_its_own_prior_whatever_it_is_called(name):
    plain = series_of()
    series = replace(
        plain, factors=replace(plain.factors, base=BaseFactor(levels=("none", name)))
    )
    layout = parameterise(
        series, term_columns(series, ("temperature", "base")), link="logit"
    )
    sd = make_priors(series, layout, link="logit").sd[layout.coefficients_at[1]]
    low, high = series.span("temperature")
    assert sd == pytest.approx(series.priors.effect / ((high - low) / 2))
    assert series.priors.effect != series.priors.interaction
