"""Stage fits and term comparisons on records of an invented series."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2
from statsmodels.miscmodels.ordinal_model import OrderedModel

from firelab.craft.materials import grain_um
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.look_table import NotEstimable
from firelab.fits.ordinal.separation import Parting, Separated, level_words
from firelab.fits.ordinal.stage_likelihood import fit_stage_likelihood
from firelab.fits.questions.left_out_loads import (
    likelihood_predictor,
    ranked_scores,
    score_left_out_loads,
)
from firelab.fits.questions.terms import compare_terms
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.series_file import design_path, read_series
from firelab.series.terms import ModelColumn, model_matrix

SERIES = read_series(design_path("clear-transparent"))
GRADES = np.array(SERIES.responses.stage.grades)
EFFECTS = np.array([2.5, 1.0, 0.4, 0.0])


def looks(n_loads=12, places=4, seed=1, effects=EFFECTS, load_sd=0.5) -> pd.DataFrame:
    """Invented looks: temperature by load, the rest by tile, logit grades."""
    rng = np.random.default_rng(seed)
    n, heats = n_loads * places, SERIES.factors.levels("temperature")
    frame = pd.DataFrame(
        {
            "tile": [f"T{i}" for i in range(n)],
            "look": 1,
            "session": 1,
            "load": np.repeat(np.arange(n_loads), places) + 1,
            "temperature_degC": np.repeat([heats[k % 4] for k in range(n_loads)], places),
            "dwell_s": rng.choice([120.0, 180.0], n),
            "mesh": rng.choice([80, 150], n),
            "layers": rng.choice([1, 2], n),
            "base": "hard clear",
            "role": "test",
            "observer": "",
            "transparency": np.nan,
        }
    )
    frame["grain_um"] = [grain_um(mesh) for mesh in frame["mesh"]]
    frame["total_dwell_s"] = frame["dwell_s"]
    latent = model_matrix(SERIES, frame, SERIES.terms) @ effects
    latent += load_sd * rng.normal(size=n_loads)[frame["load"] - 1] + rng.logistic(size=n)
    return frame.assign(stage=GRADES[np.searchsorted([-2.0, 0.0, 2.0], latent)])


def records_of(frame: pd.DataFrame) -> Records:
    stage = pd.Categorical(frame["stage"], categories=list(GRADES), ordered=True)
    provenance = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
    return Records(
        series=SERIES, plan=None, looks=frame.assign(stage=stage), provenance=provenance
    )


def test_the_fit_is_that_of_its_columns() -> None:
    frame = looks()
    fit = fit_stage_likelihood(records_of(frame))
    y = np.array([list(GRADES).index(stage) for stage in frame["stage"]])
    X = model_matrix(SERIES, frame, SERIES.terms)
    same = fit_cumulative_link(y, X, groups=frame["load"])
    np.testing.assert_allclose(fit.fit.estimates, same.estimates, rtol=1e-10)
    assert tuple(map(str, fit.columns)) == ("temperature", "dwell", "mesh", "layers")
    assert list(fit.table["name"]) == [
        "sugar|orange peel",
        "orange peel|full",
        "full|over",
        *map(str, fit.columns),
        "sd(load)",
    ]
    assert fit.convergence.code == 0
    profiled = fit.table.set_index("name").loc["temperature"]
    assert profiled["interval"] == "profile"
    assert profiled["lower"] < profiled["estimate"] < profiled["upper"]


def test_plain_values_and_words() -> None:
    fit = fit_stage_likelihood(records_of(looks()))
    content = fit.to_dict()
    again = json.loads(json.dumps(content, allow_nan=False))
    assert again["schema"] == "firelab/stage-likelihood/1"
    assert again["convergence"]["parameters"]["dwell"]["correct_decimals"] > 8
    assert [test["term"] for test in again["tests"]] == list(SERIES.terms)
    assert [test["df"] for test in again["proportional_odds"]] == [2, 2, 2, 2]
    words = fit.summary()
    assert words.startswith(
        "Stage by maximum likelihood, logit link: 48 looks in 12 loads, 0 left out"
    )
    assert "temperature: chi2" in words
    assert "do loads differ:" in words


def test_looks_without_a_stage_and_control_tiles_are_left_out() -> None:
    frame = looks()
    frame.loc[:2, "stage"] = None
    frame.loc[3:4, "role"] = "control"
    fit = fit_stage_likelihood(records_of(frame))
    assert fit.n_omitted == 5
    assert fit.n_looks == 43


def test_separation_is_named_in_degrees_and_refused() -> None:
    frame = looks(effects=np.array([40.0, 0.0, 0.0, 0.0]), load_sd=0.0)
    with pytest.raises(Separated) as refusal:
        fit_stage_likelihood(records_of(frame))
    assert refusal.value.what == (
        "temperature separates the grades: no look above sugar at 1375 °F (746 °C), "
        "none below over at 1525 °F (829 °C)"
    )
    assert "take the posterior" in refusal.value.hint
    assert refusal.value.exit_code == 3


@pytest.mark.parametrize(
    ("low", "high", "upwards", "words"),
    [
        ((0, 1), (2, 2), True, "no look above orange peel at 0, none below over at 1"),
        ((0, 2), (2, 2), True, "any grade at 0, no look below over at 1"),
        ((0, 0), (0, 2), True, "no look above sugar at 0, any grade at 1"),
        ((2, 2), (0, 2), False, "no look below over at 0, any grade at 1"),
    ],
)
def test_a_separation_says_no_bound_that_the_scale_sets(low, high, upwards, words) -> None:
    parting = Parting(
        column="base",
        low=0.0,
        high=1.0,
        low_grades=low,
        high_grades=high,
        alone=True,
        upwards=upwards,
    )
    sentence = parting.sentence(["sugar", "orange peel", "over"])
    assert sentence == f"base separates the grades: {words}"


def test_looks_again_at_a_tile_are_refused_and_the_posterior_named() -> None:
    frame = looks(n_loads=8)
    seen_twice = pd.concat([frame, frame.iloc[[3]].assign(look=2)], ignore_index=True)
    with pytest.raises(RecordsInsufficient) as refusal:
        fit_stage_likelihood(records_of(seen_twice))
    assert refusal.value.what == (
        "tile T3 has 2 graded looks, which are not independent: "
        "maximum likelihood would be too sure"
    )
    assert "firelab fit, without --method ml" in refusal.value.hint


def test_terms_that_tiles_cannot_tell_are_named() -> None:
    frame = looks()
    frame["dwell_s"] = np.where(frame["mesh"] == 80, 120.0, 180.0)
    frame["total_dwell_s"] = frame["dwell_s"]
    frame["layers"] = 1
    with pytest.raises(NotEstimable) as fault:
        fit_stage_likelihood(records_of(frame))
    assert fault.value.aliased == ("mesh", "layers")
    said = compare_terms(records_of(frame)).summary()
    assert "  mesh: cannot be told from dwell in these tiles" in said
    assert "  layers: never changes in these tiles" in said
    assert (
        "  temperature:mesh: cannot be told from temperature:dwell in these tiles" in said
    )


def test_records_without_a_stage_are_refused() -> None:
    frame = looks().assign(stage=None)
    with pytest.raises(RecordsInsufficient, match="no look carries a stage"):
        fit_stage_likelihood(records_of(frame))
    with pytest.raises(RecordsInsufficient, match="no look carries a stage"):
        compare_terms(records_of(frame))
    with pytest.raises(RecordsInsufficient, match="2 loads cannot be left out in turn"):
        compare_terms(records_of(looks(n_loads=2)))


def test_comparison_finds_what_matters_and_what_does_not() -> None:
    found = compare_terms(records_of(looks(n_loads=16, seed=8)))
    verdicts = {one.term: one.verdict for one in found.verdicts}
    assert verdicts["temperature"] == "matters"
    assert verdicts["dwell"] == "matters"
    assert verdicts["layers"] != "matters"
    assert found.score < found.score_without_terms
    assert found.n_loads == 16
    rows = found.table.set_index("term")
    assert rows.loc["temperature", "worse"] > rows.loc["mesh", "worse"]
    again = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert again["terms"][0]["sentence"].startswith("temperature: matters")


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_the_ratio_test_of_a_term_has_the_link_asked_for(link) -> None:
    # One tile to a load leaves no load effect: statsmodels' OrderedModel is the reference.
    frame = looks(n_loads=24, places=1, seed=3)
    found = compare_terms(records_of(frame), ["temperature", "dwell"], link=link)
    graded = records_of(frame).graded
    X = model_matrix(SERIES, graded, ["temperature", "dwell"])
    grade = graded["stage"].cat.codes.to_numpy()
    both, one = (
        OrderedModel(grade, columns, distr=link).fit(method="bfgs", disp=False).llf
        for columns in (X, X[:, :1])
    )
    expected = chi2.sf(2 * (both - one), 1)
    assert found.verdicts[1].p_value == pytest.approx(expected, rel=1e-3)


def test_tiles_looked_at_again_are_judged_by_prediction_alone() -> None:
    frame = looks(n_loads=10, places=3, seed=8)
    again = frame.assign(look=2, load=frame["load"] + 10, dwell_s=60.0)
    found = compare_terms(records_of(pd.concat([frame, again])), ["temperature", "dwell"])
    assert {one.p_value for one in found.verdicts} == {None}
    assert found.verdicts[0].verdict == "matters"
    assert "; p" not in found.summary()
    json.dumps(found.to_dict(), allow_nan=False)


def test_ranked_scores_are_those_of_the_definition() -> None:
    # Epstein (1969): the squared distance between cumulative forecast and what happened.
    chances = np.array([[0.2, 0.5, 0.3], [0.2, 0.5, 0.3]])
    scores = ranked_scores(np.array([0, 1]), chances)
    np.testing.assert_allclose(scores, [(0.64 + 0.09) / 2, (0.04 + 0.09) / 2])


def test_left_out_loads_are_predicted_from_the_others_alone() -> None:
    rng = np.random.default_rng(6)
    X = rng.normal(size=(40, 1))
    y = np.searchsorted([0.0, 1.0], X[:, 0] + rng.logistic(size=40))
    load = np.arange(40) // 5
    predict = likelihood_predictor(y, X, load, n_grades=3)
    left_out = load == 2
    changed = np.where(left_out, 0, y)
    other = likelihood_predictor(changed, X, load, n_grades=3)
    np.testing.assert_allclose(predict(left_out), other(left_out), rtol=1e-12)
    scores = score_left_out_loads(y, load, predict)
    mean, error = scores.worse_than(scores)
    assert (mean, error) == (0.0, 0.0)
    assert scores.n_looks.tolist() == [5] * 8


def column(*factors, base=None):
    return ModelColumn(powers=tuple((factor, 1) for factor in factors), base=base)


def test_levels_are_told_as_the_bench_writes_them() -> None:
    assert level_words(SERIES, column("mesh"), 1.0) == "80 mesh"
    assert level_words(SERIES, column("mesh"), -1.0) == "150 mesh"
    assert level_words(SERIES, column("layers"), 1.0) == "2 coats"
    assert level_words(SERIES, column("base", base="soft"), 1.0) == "over soft"
    assert level_words(SERIES, column("base", base="soft"), 0.0) == "over another base"
    assert (
        level_words(SERIES, column("temperature", "dwell"), 0.5)
        == "temperature:dwell at 0.5"
    )


@given(st.integers(0, 2**31), st.integers(2, 9), st.sampled_from([0.0, 1.0, 5.0]))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_any_small_series_gives_a_fit_or_a_named_refusal(seed, n_loads, strength) -> None:
    frame = looks(n_loads=n_loads, seed=seed, effects=strength * EFFECTS, load_sd=1.0)
    try:
        fit = fit_stage_likelihood(records_of(frame), ("temperature", "dwell"))
    except FirelabError as refusal:
        assert refusal.hint
        return
    assert fit.convergence.code == 0
    assert np.all(np.isfinite(fit.table[["estimate", "standard_error"]]))
    json.dumps(fit.to_dict(), allow_nan=False)
