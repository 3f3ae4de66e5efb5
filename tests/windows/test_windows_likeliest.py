"""The firing to choose now, against a search over every firing by the draws alone."""

from dataclasses import replace

import numpy as np
import pytest

from firelab.series.factors import Rule
from firelab.series.firing_series import Kiln
from firelab.series.terms import model_matrix
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.firing_windows import firing_windows

DWELLS = (90.0, 111.0, 120.0, 137.0, 160.0, 170.0, 210.0)
"""The levels, and 90 to 210 s in four equal ratios, to the second."""


def fit_of(bench, *, series=None, fired=None, spread=2.0, **more):
    series = series or bench.make_series(**more)
    kiln = bench.make_kiln(series)
    looks = bench.looks_of(bench.make_plan(series), kiln)
    if fired is not None:
        looks = looks[looks["temperature_degC"].between(*fired)].reset_index(drop=True)
    return bench.known_fit(kiln, looks, spread=spread, n_draws=300)


def mean_of(fit, degC, seconds):
    frame = settings_at({"mesh": 80, "layers": 1, "base": "none"}, degC, seconds)
    X = model_matrix(fit.series, frame, fit.terms)
    return fit.draws.grade_probabilities(X)[..., 2].mean(axis=0)


def every_firing():
    return (axis.ravel() for axis in np.meshgrid(np.arange(700.0, 826.0), DWELLS))


def test_no_firing_of_the_dial_is_likelier(bench):
    fit = fit_of(bench)
    found = firing_windows(fit).windows[0].likeliest
    T, d = every_firing()
    assert found.probability == pytest.approx(mean_of(fit, T, d).max(), abs=2e-3)
    at = mean_of(fit, [found.temperature_degC], [found.dwell_s])[0]
    assert found.probability == pytest.approx(at, abs=2e-3)
    assert found.temperature_degC == round(found.temperature_degC)
    assert found.dwell_s in DWELLS
    assert found.beyond == ""


def test_it_may_lie_beyond_what_was_fired_and_says_so(bench):
    fit = fit_of(bench, fired=(700.0, 725.0))
    windows = firing_windows(fit)
    found = windows.windows[0].likeliest
    T, d = every_firing()
    assert found.probability == pytest.approx(mean_of(fit, T, d).max(), abs=2e-3)
    assert found.temperature_degC > 725.0
    assert found.beyond == "hotter"
    assert windows.firing_now().endswith("; hotter than any tile so far.")


def test_rules_forbid_and_a_level_never_fired_is_not_chosen(bench):
    free = fit_of(bench)
    edge = firing_windows(free).windows[0].likeliest.temperature_degC
    rule = Rule(never={"temperature": f">= {edge - 5:.1f} degC"})
    held = replace(free, series=replace(free.series, rules=(rule,)))
    assert firing_windows(held).windows[0].likeliest.temperature_degC < edge - 5
    every = Rule(never={"temperature": "> 500 degC"})
    none = firing_windows(replace(free, series=replace(free.series, rules=(every,))))
    assert none.windows[0].likeliest is None
    assert (none.firing_now(), none.to_dict()["firing_now"]) == ("", None)
    bases = bench.make_series(bases=("none", "hard clear"))
    kiln = bench.make_kiln(bases, effects={"temperature": 8.0, "dwell": 2.5})
    looks = bench.looks_of(bench.make_plan(bases), kiln)
    one = looks[looks["base"] == "none"].reset_index(drop=True)
    fit = bench.known_fit(kiln, one, terms=("temperature", "dwell", "base"))
    windows = firing_windows(fit)
    assert windows.likeliest.setting["base"] == "none"


def test_without_a_recipe_the_same_firing_is_said_and_written(bench):
    series = bench.make_series()
    fit = fit_of(bench, series=replace(series, kiln=Kiln(reads="degF", step=5.0)))
    windows = firing_windows(fit)
    found = windows.windows[0].likeliest
    assert windows.windows[0].recipe is None
    degF = 1.8 * found.temperature_degC + 32.0
    assert degF / 5.0 == pytest.approx(round(degF / 5.0), abs=0.01)
    share = int(10.0 * found.probability + 0.5)
    at = f"{degF:.0f} °F ({found.temperature_degC:.0f} °C) for 1 min 30 s"
    assert found.dwell_s == 90.0 and 1 <= share <= 9
    assert windows.firing_now() == (
        f"Likeliest now: {at} at 80 mesh, 1 coat, on bare metal: expect {share} of 10 full."
    )
    assert (
        f"The best there is, not to be trusted with a finished piece: {at}. "
        f"Expect {share} of 10 tiles full"
    ) in windows.summary()
    written = windows.to_dict()
    assert written["firing_now"] == {
        "setting": {"mesh": 80, "layers": 1, "base": "none"},
        "temperature_degC": found.temperature_degC,
        "dwell_s": 90.0,
        "probability": found.probability,
        "beyond": "",
    }
    assert written["windows"][0]["firing_now"]["dwell_s"] == 90.0


def test_doubt_does_not_choose_the_best_firing(bench):
    # Where no firing is more likely than not to be likely enough, those of which least
    # is known are the surest to be: they are not the best.
    fit = fit_of(bench, spread=4.0)
    window = firing_windows(fit).windows[0]
    assert window.map.assurance.max() < 0.5
    found = window.likeliest
    assert window.best.probability == pytest.approx(window.map.probability.max(), abs=0.002)
    assert window.best.temperature_degC == found.temperature_degC
    assert window.best.dwell_s == found.dwell_s
