"""fit_clarity on records: which tiles count, what is told where little can be."""

import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from firelab.craft.materials import grain_um
from firelab.errors import FirelabError, UsageError
from firelab.fits.clarity.clarity import fit_clarity, scored_tiles
from firelab.fits.ordinal.look_table import estimable_places
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.series_file import design_path, parse_series, read_series
from firelab.series.terms import model_matrix

TEXT = design_path("clear-transparent").read_text(encoding="utf-8")
SERIES = read_series(design_path("clear-transparent"))
EFFECTS = np.array([1.2, 0.4, -1.0, -0.5])


def series_of(text):
    series, findings = parse_series(text)
    assert not findings
    return series


def looks_of(n_loads=8, places=4, seed=1, series=SERIES):
    rng = np.random.default_rng(seed)
    heats = series.factors.levels("temperature")
    frame = pd.DataFrame(
        {
            "tile": [f"T{i}" for i in range(n_loads * places)],
            "look": 1,
            "session": 1,
            "load": np.repeat(np.arange(n_loads), places) + 1,
            "temperature_degC": np.repeat([heats[k % 4] for k in range(n_loads)], places),
            "dwell_s": rng.choice([120.0, 180.0], n_loads * places),
            "mesh": rng.choice([80, 150], n_loads * places),
            "layers": rng.choice([1, 2], n_loads * places),
            "base": "hard clear",
            "role": "test",
            "observer": "",
        }
    )
    frame["grain_um"] = [grain_um(mesh) for mesh in frame["mesh"]]
    frame["total_dwell_s"] = frame["dwell_s"]
    X = model_matrix(series, frame, series.terms)
    load_effect = 0.6 * rng.normal(size=n_loads)[frame["load"] - 1]
    score = 5.5 + X @ EFFECTS + load_effect + 0.8 * rng.normal(size=len(frame))
    frame["transparency"] = np.clip(np.round(score), 0, 10)
    return frame.assign(stage="full")


def records_of(frame, series=SERIES):
    grades = series.responses.stage.grades
    stage = pd.Categorical(frame["stage"], categories=list(grades), ordered=True)
    provenance = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
    return Records(
        series=series, plan=None, looks=frame.assign(stage=stage), provenance=provenance
    )


def test_only_fused_and_scored_tiles_count():
    frame = looks_of()
    frame.loc[:4, "stage"] = "sugar"
    frame.loc[5, "stage"] = "over"
    frame.loc[6, "stage"] = None
    frame.loc[7:8, "transparency"] = np.nan
    frame.loc[9, "role"] = "control"
    fit = fit_clarity(records_of(frame))
    assert fit.n_tiles == 32 - 5 - 1 - 1 - 2 - 1
    assert fit.left_out == "6 not in the target stage, 2 fused but not scored"
    assert fit.left_out in fit.details()


def test_a_tile_counts_once_with_its_total_dwell_and_mean_score():
    frame = looks_of()
    early = frame.loc[[0]].assign(stage="sugar", dwell_s=60.0, total_dwell_s=60.0)
    again = frame.loc[[0]].assign(look=2, load=3, dwell_s=90.0, total_dwell_s=150.0)
    later = frame.loc[[0]].assign(look=3, load=4, dwell_s=90.0, total_dwell_s=240.0)
    second = again.assign(observer="B", transparency=again["transparency"] + 1)
    looks = pd.concat([early, frame.loc[1:], again, second, later], ignore_index=True)
    counted = scored_tiles(records_of(looks))
    tile = counted.tiles.set_index("tile").loc["T0"]
    hot = 60.0 - SERIES.blank.warm_up_s(early["temperature_degC"].iloc[0])
    assert (tile["load"], tile["dwell_s"]) == (3, pytest.approx(hot + 90.0))
    assert tile["transparency"] == again["transparency"].iloc[0] + 0.5
    assert counted.tiles["tile"].is_unique
    assert counted.left_out == ("1 not in the target stage, 1 of a tile already counted")


def test_balanced_tests_are_those_of_the_strata():
    """Temperature against loads, the rest against tiles, as an analysis of variance."""
    frame = looks_of()
    rng = np.random.default_rng(3)
    frame["dwell_s"] = frame["total_dwell_s"] = np.tile([120.0, 120, 180, 180], 8)
    frame["mesh"] = np.tile([80, 150], 16)
    frame["layers"] = np.tile([1, 2, 2, 1], 8)
    spread = 2.0 * rng.normal(size=8)[frame["load"] - 1]
    frame["transparency"] = 5 + spread + rng.normal(size=32)
    table = fit_clarity(records_of(frame)).table.set_index("column")
    assert table.loc["temperature", "df"] == pytest.approx(8 - 2)
    assert table.loc["dwell", "df"] == pytest.approx(32 - 8 - 3)
    means = frame.groupby("load")["transparency"].mean()
    heat = frame.groupby("load")["temperature_degC"].first()
    strata = sm.OLS(means.to_numpy(), sm.add_constant(heat.to_numpy())).fit()
    assert table.loc["temperature", "t"] == pytest.approx(strata.tvalues[1], rel=1e-8)
    assert table.loc["temperature", "p_value"] == pytest.approx(strata.pvalues[1], rel=1e-7)


def test_lower_is_clearer_turns_the_effects():
    lower = series_of(TEXT.replace("higher is clearer", "lower is clearer"))
    frame = looks_of()
    turned = frame.assign(transparency=10 - frame["transparency"])
    one = fit_clarity(records_of(frame)).table.set_index("column")
    two = fit_clarity(records_of(turned, lower), rng=np.random.default_rng(1))
    other = two.table.set_index("column")
    slopes = list(SERIES.terms)
    assert np.allclose(one.loc[slopes, "estimate"], -other.loc[slopes, "estimate"])
    assert np.allclose(one.loc[slopes, "p_value"], other.loc[slopes, "p_value"])
    X = model_matrix(SERIES, frame, SERIES.terms)
    clear = fit_clarity(records_of(frame)).draws.probability_clear(X, 7.0, 1, 0.5)
    unclear = two.draws.probability_clear(X, 3.0, lower.responses.transparency.sign, 0.5)
    assert np.allclose(clear.mean(axis=0), unclear.mean(axis=0), atol=0.05)
    assert "lower is clearer" in two.details()


@pytest.mark.parametrize("fused", [0, 1])
def test_none_or_one_fused_tile_says_that_nothing_can_be_told(fused):
    frame = looks_of()
    frame.loc[fused:, "stage"] = "orange peel"
    fit = fit_clarity(records_of(frame))
    assert not fit.is_informed
    assert fit.regression.method == "none"
    assert f"score: {fused}; these records cannot tell" in fit.notes[0]
    assert fit.draws.n_draws == 2000
    assert np.isfinite(fit.draws.coefficients).all()
    json.dumps(fit.to_dict(), allow_nan=False)


def test_loads_with_a_setting_each_give_least_squares_and_say_so():
    frame = looks_of(n_loads=2, places=8)
    frame["transparency"] = np.random.default_rng(2).integers(1, 10, 16).astype(float)
    fit = fit_clarity(records_of(frame))
    assert fit.regression.method == "ols"
    assert "each group has a setting of its own" in " ".join(fit.regression.notes)
    X = sm.add_constant(model_matrix(SERIES, frame, SERIES.terms))
    plain = sm.OLS(frame["transparency"].to_numpy(), X).fit()
    told = fit.regression.coefficients
    assert np.allclose(told["estimate"], plain.params)
    assert np.allclose(told["p_value"], plain.pvalues)
    assert np.isnan(fit.table.set_index("column").loc["load sd", "estimate"])


def test_terms_that_tiles_cannot_tell_are_named():
    frame = looks_of()
    frame["layers"] = np.where(frame["mesh"] == 80, 1, 2)
    fit = fit_clarity(records_of(frame))
    assert fit.regression.aliased == ("layers",)
    assert any("layers" in note and "cannot tell" in note for note in fit.notes)
    assert fit.regression.terms["term"].tolist() == ["temperature", "dwell", "mesh"]
    assert estimable_places(np.zeros((3, 1))) == []


def test_interactions_and_bases_become_terms():
    text = TEXT.replace('base = ["hard clear"]', 'base = ["hard clear", "none"]')
    series = series_of(text + '\n[model]\ninteractions = ["temperature:mesh"]\n')
    frame = looks_of(n_loads=12)
    frame["base"] = np.where(np.arange(48) % 3 == 0, "none", "hard clear")
    fit = fit_clarity(records_of(frame, series))
    assert fit.regression.terms["term"].tolist() == list(series.terms)
    assert str(fit.design.columns[-1]) == "temperature:mesh"
    assert fit.priors.sd[-1] == 1.25


def test_effects_are_found_again():
    """Truth within three posterior sds for all columns of a large made-up series."""
    fit = fit_clarity(records_of(looks_of(n_loads=40, places=6, seed=5)))
    draws = fit.draws
    distance = np.abs(draws.coefficients.mean(axis=0) - EFFECTS)
    assert (distance < 3 * draws.coefficients.std(axis=0)).all()
    assert draws.load_sd.mean() == pytest.approx(0.6, abs=0.25)


def test_findings_speak_of_the_bench():
    fit = fit_clarity(records_of(looks_of(n_loads=40, places=6, seed=5)))
    words = "\n".join(fit.findings)
    for better in ("150 mesh instead of 80 mesh", "1 coat instead of 2 coats"):
        assert f"{better}: 0." in words or f"{better}: 1." in words
    assert "points clearer." in words
    lower = series_of(TEXT.replace("higher is clearer", "lower is clearer"))
    turned = fit_clarity(records_of(looks_of(n_loads=40, places=6), lower)).findings
    assert any(line.startswith("80 mesh instead of 150 mesh: ") for line in turned)
    few = fit_clarity(records_of(looks_of(n_loads=2, places=2)))
    assert few.findings[-1].startswith("No difference in clearness seen: ")


def test_same_seed_same_draws_and_plain_values():
    records = records_of(looks_of())
    one, two = fit_clarity(records), fit_clarity(records)
    assert np.array_equal(one.draws.coefficients, two.draws.coefficients)
    assert json.dumps(one.to_dict(), allow_nan=False) == json.dumps(two.to_dict())
    assert one.convergence.code == 0 and one.convergence.effective_draws > 1500
    assert one.provenance is records.provenance


def test_what_cannot_be_asked():
    frame = looks_of()
    opaque = read_series(design_path("opaque-window"))
    with pytest.raises(FirelabError, match="scores no transparency"):
        fit_clarity(records_of(frame, opaque))
    with pytest.raises(FirelabError, match="not made of factors"):
        fit_clarity(records_of(frame), ["colour"])
    with pytest.raises(UsageError, match="0 draws"):
        fit_clarity(records_of(frame), n_draws=0)


@pytest.mark.parametrize("seed", range(40))
def test_any_small_table_gives_a_fit(seed):
    """Four to forty rows, any grades, ties, empty loads: never nan, never a traceback."""
    rng = np.random.default_rng(seed)
    frame = looks_of(n_loads=int(rng.integers(1, 11)), places=4, seed=seed)
    frame = frame.sample(int(rng.integers(1, len(frame) + 1)), random_state=seed)
    frame["stage"] = rng.choice(["sugar", "full", "over"], len(frame), p=[0.3, 0.6, 0.1])
    if seed % 3 == 0:
        frame["transparency"] = float(seed % 10)
    fit = fit_clarity(records_of(frame.reset_index(drop=True)), n_draws=50)
    json.dumps(fit.to_dict(), allow_nan=False)
    assert fit.summary()
    for draws in (fit.draws.intercept, fit.draws.coefficients, fit.draws.residual_sd):
        assert np.isfinite(draws).all()
