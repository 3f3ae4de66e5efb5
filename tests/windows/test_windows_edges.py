"""Edges against closed forms, root finding and the simulated kiln's own truth."""

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.series.terms import TEMPERATURE
from firelab.windows.edges.edge_draws import censor, interval_of
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.edges.target_span import inner_probability, target_span
from firelab.windows.firing_windows import firing_windows

LAWS = {
    "logit": stats.logistic,
    "probit": stats.norm,
    "cloglog": stats.gumbel_l,
    "loglog": stats.gumbel_r,
}


def draws_of(link, rng, count=40):
    gaps = np.cumsum(rng.uniform(0.4, 5.0, (count, 3)), axis=1)
    return StageDraws(
        thresholds=gaps - 5.0,
        coefficients=rng.uniform(2, 8, (count, 1)),
        load_sd=rng.uniform(0.0, 1.5, count),
        tile_sd=rng.uniform(0.0, 0.5, count),
        link=link,
        columns=(TEMPERATURE,),
    )


@pytest.mark.parametrize("link", LAWS)
def test_the_future_load_is_averaged_as_adaptive_quadrature_does(link):
    draws = draws_of(link, np.random.default_rng(1), 12)
    t = np.linspace(-4, 4, 12)
    for k in range(12):
        wanted = integrate.quad(
            lambda z, k=k: (
                LAWS[link].cdf(t[k] - draws.future_sd[k] * z) * stats.norm.pdf(z)
            ),
            -9,
            9,
            epsrel=1e-9,
        )[0]
        assert draws.cumulative(t)[k] == pytest.approx(wanted, abs=2e-4)


@pytest.mark.parametrize("link", LAWS)
@pytest.mark.parametrize("p", [0.05, 0.5, 0.8, 0.99])
def test_the_distance_of_a_probability_is_scipys_root(link, p):
    draws = draws_of(link, np.random.default_rng(2), 8)
    found = draws.distance_where(p)
    for k in range(8):
        one = draws.take(np.array([k]))
        root = optimize.brentq(
            lambda t, one=one: one.cumulative(np.array([t]))[0] - p, -40, 40
        )
        assert found[k] == pytest.approx(root, abs=1e-6)


@pytest.mark.parametrize("link", LAWS)
@pytest.mark.parametrize("span", [(2, 2), (1, 2)])
def test_the_span_of_a_target_is_where_its_probability_is_as_asked(link, span):
    draws = draws_of(link, np.random.default_rng(3), 60)
    found = target_span(draws, *span, 0.6)
    eta = np.linspace(-15, 15, 3001)
    for k in range(60):
        one = draws.take(np.array([k]))
        pi = inner_probability(one, *span, eta[None])[0]
        if found.empty[k]:
            assert pi.max() < 0.6 + 1e-3
            continue
        inside = eta[pi >= 0.6]
        assert found.low[k] == pytest.approx(inside.min(), abs=0.011)
        assert found.high[k] == pytest.approx(inside.max(), abs=0.011)
    assert 0 < found.empty.sum() < 60


def test_the_lowest_grade_has_only_a_high_edge_and_the_last_only_a_low_one():
    draws = draws_of("logit", np.random.default_rng(4), 5)
    first, last = target_span(draws, 0, 0, 0.8), target_span(draws, 3, 3, 0.8)
    assert np.isneginf(first.low_edge).all() and np.isfinite(first.high_edge).all()
    assert np.isposinf(last.high_edge).all() and np.isfinite(last.low_edge).all()
    assert np.array_equal(first.high, first.high_edge)


@pytest.mark.parametrize(
    "target", [("sugar",), ("full",), ("orange peel", "full"), ("over",)]
)
@pytest.mark.parametrize("load_sd", [0.0, 0.8])
def test_edges_of_the_truth_are_the_true_edges(bench, target, load_sd):
    # The truth's edges are found on the latent grade itself, nothing shared.
    series = bench.make_series(target=target)
    kiln = bench.make_kiln(series, load_sd=load_sd)
    fit = bench.known_fit(kiln, bench.looks_of(bench.make_plan(series), kiln))
    for dwell_s in (90.0, 140.0, 210.0):
        found = bench.fit_edges(fit, bench.setting, dwell_s)
        for edge, true in zip(found, kiln.true_edges(dwell_s), strict=True):
            assert edge[0] == pytest.approx(true, abs=1e-3)


def test_true_edges_have_the_probability_that_was_asked(bench):
    series = bench.make_series(target=("sugar",))
    kiln = bench.make_kiln(series, load_sd=0.7)
    _, high = kiln.true_edges(120.0, 0.8)
    at = settings_at(bench.setting, [high], [120.0])
    assert kiln.true_probability(at)[0] == pytest.approx(0.8, abs=1e-4)


@pytest.mark.parametrize("family", ["logit", "probit", "heat work"])
def test_the_true_probability_is_the_share_among_many_tiles(bench, family):
    series = bench.make_series()
    kiln = bench.make_kiln(series, family=family, load_sd=0.8, thresholds=(-5.0, -2.0, 2.0))
    n = 20_000
    table = bench.make_plan(series).tiles.iloc[[9]].loc[lambda f: f.index.repeat(n)]
    table = table.assign(tile=[f"T{k}" for k in range(n)], load=np.arange(n))
    looks = kiln.simulate(table, rng=np.random.default_rng(5))
    share = (looks["stage"] == "full").mean()
    true = kiln.true_probability(table.iloc[:1])[0]
    assert 0.1 < true < 0.9
    assert share == pytest.approx(true, abs=4 * np.sqrt(true * (1 - true) / n))


def test_a_squared_term_bends_the_edge(bench):
    series = bench.make_series()
    terms = ("temperature", "dwell", "temperature^2", "temperature:dwell")
    kiln = bench.make_kiln(series)
    fit = bench.known_fit(kiln, bench.looks_of(bench.make_plan(series), kiln), terms=terms)
    bent = np.array([[8.0, 2.5, 1.5, 0.7]])
    fit.draws.coefficients[:] = bent
    low, _ = bench.fit_edges(fit, bench.setting, 120.0)

    def eta(degC):
        u = (degC - 762.5) / 62.5
        v = (np.log(120.0) - np.log(90.0 * 210.0) / 2) / (np.log(210.0 / 90.0) / 2)
        return bent[0] @ [u, v, u * u, u * v]

    wanted = fit.draws.thresholds[0, 1] - fit.draws.distance_where(0.2)[0]
    assert low[0] == pytest.approx(optimize.brentq(lambda T: eta(T) - wanted, 700, 825))


def test_dwell_edges_are_the_temperature_edges_turned(bench):
    series = bench.make_series()
    kiln = bench.make_kiln(series)
    fit = bench.known_fit(kiln, bench.looks_of(bench.make_plan(series), kiln))
    window = firing_windows(fit).windows[0]
    told = [edge for edge in window.dwell_edges if edge.low_s.estimate is not None]
    assert told
    for edge in told:
        low, _ = bench.fit_edges(fit, bench.setting, edge.low_s.estimate)
        assert low[0] == pytest.approx(edge.temperature_degC, abs=1e-6)


def test_quantiles_take_infinite_edges():
    edges = np.array([*np.linspace(740, 760, 95), *[np.inf] * 5])
    low, middle, high = interval_of(edges, 0.9)
    assert 740 < low < middle < 760
    assert high < np.inf
    assert interval_of(np.full(10, np.inf), 0.9) == (np.inf, np.inf, np.inf)


@pytest.mark.parametrize(
    ("edges", "told"),
    [
        (np.linspace(600, 620, 50), (None, None, None, "below")),
        (np.linspace(900, 920, 50), (None, None, None, "above")),
        (np.linspace(690, 760, 51), (725.0, None, 757.2, "lower end below")),
        (np.full(9, np.inf), (None, None, None, "above")),
    ],
)
def test_nothing_is_told_beyond_what_was_fired(edges, told):
    found = censor(edges, 0.9, (700.0, 825.0), ("below", "above"))
    assert (found.estimate, found.reason) == (told[0], told[3])
    assert found.lower == told[1]
    assert (found.upper is None) == (told[2] is None)
