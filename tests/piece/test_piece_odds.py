"""Odds of a piece against brute force: pieces fired one by one, written from the formula.

Also against the fits' own heat of tiles that are fired on, and against windows.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit

from firelab.fits.ordinal.added_heat import latent_grades
from firelab.piece.colour_heat import colour_heat
from firelab.piece.outcome import piece_draws
from firelab.records.records import counted_dwell
from firelab.series.firing_series import Blank
from firelab.series.heat_counted import heat_before
from firelab.windows.edges.target_at_setting import targets_of

N_PIECES = 200_000
HEAVY = Blank(metal="copper", thickness=1.4)
NONE = (0.0, 0.0, 0.0, 0.0)
ALL = (4.0, 2.0, 3.0, 4.0)
PIECES = {
    "one colour": ([(750, 790)], (0,), [(770, 150)], NONE),
    "one, in a kiln that strays": ([(750, 790)], (0,), [(770, 150)], ALL),
    "two at once": ([(750, 790), (745, 780)], (0, 0), [(764, 160)], ALL),
    "hard first": ([(800, 840), (735, 775)], (0, 1), [(820, 130), (752, 150)], ALL),
    "soft first": ([(735, 775), (760, 800)], (0, 1), [(740, 120), (772, 150)], ALL),
    "heat twice": ([(770, 810), (750, 790)], (0, 1), [(766, 150), (766, 150)], ALL),
    "three in three": (
        [(800, 840), (770, 810), (735, 775)],
        (0, 1, 2),
        [(815, 140), (780, 150), (752, 140)],
        ALL,
    ),
    "three in two": (
        [(800, 840), (740, 785), (735, 775)],
        (0, 1, 1),
        [(822, 120), (757, 150)],
        (8.0, 0.0, 0.0, 0.0),
    ),
    "heavy, short": ([(780, 830), (770, 815)], (0, 1), [(800, 90), (805, 95)], ALL),
    "hardly ready": ([(740, 785), (740, 785)], (0, 1), [(702, 110), (752, 160)], ALL),
}
"""Windows of the colours, orders, firings, and what the kiln strays, degC."""


def draw_one_by_one(colours, laid, settings, rng, n=N_PIECES):
    """Fire pieces one by one: the formula of the docstring written out, by expit's law."""
    which = rng.integers(colours[0].n_draws, size=n)
    day, place = rng.standard_normal((2, n))
    firing = rng.standard_normal((len(settings), n))
    good = np.ones(n, dtype=bool)
    for one, begins in zip(colours, laid, strict=True):
        heat, time = one.rows[which, 3], one.rows[which, 1]
        per_degC, per_log = heat / 60.0, time / np.log(2.0)
        u = one.session_sd[which] * day + one.place_sd[which] * place
        each = u + one.firing_sd[which] * firing
        own = one.tile_sd[which] * rng.standard_normal(n) + rng.logistic(size=n)
        later = one.blank.share[which]
        grades = []
        for end in range(begins + 1, len(settings) + 1):
            past = list(range(begins, end))
            top = max(past, key=lambda k: (settings[k][0], -k))
            total = 0.0
            for k in past:
                T, d = settings[k]
                left = np.maximum(d - later * one.blank.difference_s(T), 1.0)
                if k != top:
                    left = left - one.lost[which] * one.blank.tiles_warm_up_s(T)
                    gain = per_degC * (T - settings[top][0]) + each[k] - each[top]
                    left = np.maximum(left, 0.0) * np.exp(gain / per_log)
                total = total + left
            latent = heat * (settings[top][0] - 780.0) / 60.0 + each[top]
            latent = latent + time * np.log(total / 150.0) / np.log(2.0) + own
            grades.append((one.thresholds[which] < latent[:, None]).sum(axis=1))
        if len(grades) > 1:
            good &= grades[0] >= one.ready
        good &= (grades[-1] >= one.target[0]) & (grades[-1] <= one.target[1])
    return good


@pytest.mark.parametrize("name", PIECES)
def test_odds_are_those_of_200000_pieces_fired_one_by_one(bench, name):
    windows, laid, settings, deviation = PIECES[name]
    blank = HEAVY if "heavy" in name else Blank(metal="copper", thickness=0.8)
    colours = [
        bench.colour("a", *edges, spread=4.0, seed=k, deviation=deviation, blank=blank)
        for k, edges in enumerate(windows)
    ]
    seen = draw_one_by_one(colours, laid, settings, np.random.default_rng(5)).mean()
    draws = piece_draws(colours, len(settings), rng=np.random.default_rng(6), repeats=100)
    degC, dwell = (np.array([[one[k]] for one in settings], dtype=float) for k in (0, 1))
    each = draws.probability(laid, degC, dwell)[:, 0]
    error = np.hypot(each.std() / np.sqrt(each.size), np.sqrt(0.25 / N_PIECES))
    assert 0.03 < seen < 0.99
    assert each.mean() == pytest.approx(seen, abs=4 * error)


@pytest.fixture(scope="module")
def fitted():
    place = Path(__file__).resolve().parents[1] / "windows" / "conftest.py"
    spec = importlib.util.spec_from_file_location("windows_bench", place)
    windows = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(windows)
    series = windows.make_series()
    plan, kiln = windows.make_plan(series), windows.make_kiln(series)
    return windows, windows.known_fit(
        kiln, windows.looks_of(plan, kiln), spread=0.5, n_draws=60
    )


def test_one_firing_on_the_tiles_own_blank_is_what_the_windows_say(fitted):
    windows, fit = fitted
    rng = np.random.default_rng(1)
    one = colour_heat(
        "a", fit, None, windows.NOWHERE, ready="sugar", blank=fit.series.blank, rng=rng
    )
    draws = piece_draws([one], 1, rng=rng, repeats=400)
    T, d = np.array([[740.0, 775.0]]), np.array([[120.0, 160.0]])
    found = draws.probability((0,), T, d).mean(axis=0)
    told = next(targets_of(fit)).probability(T[0], d[0]).mean(axis=0)
    assert found == pytest.approx(told, abs=0.006)


def test_two_firings_are_what_the_fit_says_of_a_tile_fired_on(fitted):
    windows, fit = fitted
    rng = np.random.default_rng(1)
    one = colour_heat(
        "a", fit, None, windows.NOWHERE, ready="sugar", blank=fit.series.blank, rng=rng
    )
    series = fit.series
    row = fit.looks.iloc[[0]].drop(columns=["before", "own_dwell_s"], errors="ignore")
    looks = row.loc[row.index.repeat(2)].assign(
        tile="T", look=[1, 2], temperature_degC=[740.0, 770.0], dwell_s=[150.0, 140.0]
    )
    before = heat_before(series.blank, looks)
    counted = counted_dwell(looks, series)
    looks = looks.assign(own_dwell_s=looks["dwell_s"], before=before, dwell_s=counted)
    # Draws that differ in their thresholds alone: each may have any of the losses. What a
    # look's own firing counts at least where it is shorter than its loss is not told here.
    told = latent_grades(
        series, fit.draws.coefficients, one.lost, looks.iloc[[1]], fit.terms
    )
    T, d = np.array([[740.0], [770.0]]), np.array([[150.0], [140.0]])
    found = one.fired(T, d, np.zeros((one.n_draws, 2)))[0]
    plain = one.lost * series.blank.warm_up_s(770.0) < 140.0
    assert plain.mean() > 0.9
    assert found[plain, 0] == pytest.approx(told[plain, 0], abs=1e-6)


def test_a_colour_that_must_be_ready_is_held_to_it(bench):
    ready, any_stage = (bench.colour("a", 740, 790, ready=k) for k in (1, 0))
    degC, dwell = np.array([[690.0], [765.0]]), np.array([[100.0], [150.0]])
    chances = []
    for one in (ready, any_stage):
        draws = piece_draws([one], 2, rng=np.random.default_rng(2))
        chances.append(draws.colour_probability(0, 0, degC, dwell).mean())
    assert chances[0] < chances[1]
    # Half of the tiles are ready at 700 degC and 150 s; by hand at what was fired.
    latent = 0.3 * (690.0 - 700.0) + 9.0 * np.log(100.0 / 150.0)
    assert chances[0] == pytest.approx(expit(latent), abs=0.01)
