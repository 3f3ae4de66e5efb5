"""Tiles fired on in the invented kiln: heat adds up, deviations last, plans grow.

Shares of grades are held to scipy's logistic and bivariate normal distributions.
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from firelab.craft.heating import GAS_CONSTANT
from firelab.windows.simulation.expected_kiln import invent_records


def fired(bench, *firings, n=1):
    """Rows of a plan: n tiles, each with the firings, each firing a load."""
    row = bench.make_plan(bench.make_series()).tiles.iloc[[0]]
    pieces = [
        pd.concat([row] * n, ignore_index=True).assign(
            temperature_degC=degC,
            dwell_s=dwell,
            load=load,
            tile=[f"T{k}" for k in range(n)],
        )
        for load, (degC, dwell) in enumerate(firings, start=1)
    ]
    table = pd.concat(pieces, ignore_index=True)
    return table.assign(order=np.arange(1, len(table) + 1))


@pytest.mark.parametrize("family", ["logit", "probit"])
def test_a_tile_fired_on_is_where_a_longer_firing_would_have_brought_it(bench, family):
    kiln = bench.make_kiln(bench.make_series(), family=family)
    # 8 logits per 62.5 degC against 2.5 per half range of ln dwell, by hand.
    per_degC = 8.0 / 62.5
    per_log_s = 2.5 / (np.log(210.0 / 90.0) / 2.0)
    # Each firing warms the tile up anew.
    at_heat = 100.0 - kiln.series.blank.warm_up_s(740.0)
    worth = at_heat * np.exp(per_degC / per_log_s * (740.0 - 780.0))
    twice = fired(bench, (740.0, 100.0), (780.0, 90.0))
    once = fired(bench, (780.0, 90.0 + worth))
    assert kiln.latent_fired_on(twice)[1] == pytest.approx(kiln.latent(once)[0])
    assert kiln.latent_fired_on(twice)[0] == pytest.approx(kiln.latent(twice[:1])[0])


def test_at_one_temperature_dwells_add_up_less_one_warming_up(bench):
    kiln = bench.make_kiln(bench.make_series())
    twice = fired(bench, (760.0, 90.0), (760.0, 60.0))
    once = fired(bench, (760.0, 150.0 - kiln.series.blank.warm_up_s(760.0)))
    assert kiln.latent_fired_on(twice)[1] == pytest.approx(kiln.latent(once)[0])


def test_the_work_of_two_firings_is_the_sum_of_their_integrals(bench):
    kiln = bench.make_kiln(bench.make_series(), family="heat work")
    heat = kiln.heat
    ratio = heat.activation_kJ_mol * 1e3 / GAS_CONSTANT

    def work(degC, dwell):
        def course(_, tile):
            flow = 2.0 * heat.emissivity * 5.670374419e-8
            return flow * ((degC + 273.15) ** 4 - tile**4) / heat.capacity_J_m2K

        found = integrate.solve_ivp(
            course, (0.0, dwell), [293.15], dense_output=True, rtol=1e-9, atol=1e-6
        )
        return integrate.quad(
            lambda t: np.exp(-ratio * (1.0 / found.sol(t)[0] - 1.0 / 1048.15)), 0, dwell
        )[0]

    both = np.log(work(740.0, 120.0) + work(780.0, 100.0))
    span = kiln.heat.progress([700.0, 762.5, 825.0], [np.sqrt(90.0 * 210.0)] * 3)
    wanted = 8.0 * (both - span[1]) / (0.5 * (span[2] - span[0]))
    found = kiln.latent_fired_on(fired(bench, (740.0, 120.0), (780.0, 100.0)))
    assert found[1] == pytest.approx(wanted, abs=2e-3)


@pytest.mark.parametrize("lasting", [0.0, 0.5, 1.0])
def test_what_lasts_of_a_deviation_is_the_share_asked(bench, lasting):
    series = bench.make_series()
    kiln = bench.make_kiln(series, load_sd=0.0, lasting=lasting, thresholds=(0.2, 50, 60))
    n = 20_000
    table = fired(bench, (760.0, 130.0), (760.0, 50.0), n=n)
    looks = kiln.simulate(table, rng=np.random.default_rng(3))
    still_sugar = (looks["stage"] == "sugar").to_numpy()
    eta = kiln.latent_fired_on(table)[[0, -1]]
    first, second = stats.logistic.cdf(0.2 - eta)
    scores = stats.norm.ppf([first, second])
    # Both firings below the threshold: normal scores that are correlated.
    both = {
        0.0: first * second,
        0.5: stats.multivariate_normal.cdf(scores, cov=[[1.0, 0.5], [0.5, 1.0]]),
        1.0: min(first, second),
    }[lasting]
    error = 4 * 0.5 / np.sqrt(n)
    assert still_sugar[:n].mean() == pytest.approx(first, abs=error)
    assert still_sugar[n:].mean() == pytest.approx(both, abs=error)


@pytest.mark.parametrize(
    "more",
    [{"lasting": 0.4}, {"lasting": 1.0}, {"session_sd": 2.0, "place_sd": 2.0, "slip": 0.2}],
)
def test_a_plan_that_has_grown_gives_the_same_looks_first(bench, more):
    series = bench.make_series()
    kiln = bench.make_kiln(series, **more)
    plan = bench.make_plan(series)
    on = plan.tiles.iloc[[0, 5]].assign(load=7, temperature_degC=800.0, order=[25, 26])
    new = plan.tiles.iloc[[0, 1]].assign(tile=["N1", "N2"], load=8, order=[27, 28])
    grown = dataclasses.replace(
        plan, tiles=pd.concat([plan.tiles, on, new], ignore_index=True)
    )
    short, long = (
        invent_records(kiln, one, rng=np.random.default_rng(9), growing=True).looks
        for one in (plan, grown)
    )
    pd.testing.assert_frame_equal(long.iloc[: len(short)], short)
    assert long["look"].tolist()[-4:] == [2, 2, 1, 1]
    codes = long["stage"].cat.codes
    if not kiln.slip:
        assert (codes.iloc[[24, 25]].to_numpy() >= codes.iloc[[0, 5]].to_numpy()).all()
    # A plan fired with another seed is another story.
    other = invent_records(kiln, grown, rng=np.random.default_rng(10), growing=True).looks
    assert other["stage"].tolist() != long["stage"].tolist()


def test_shares_over_days_places_and_slips_are_those_of_scipys_integral(bench):
    sd, slip, n = {"load_sd": 0.5, "session_sd": 1.5, "place_sd": 1.0}, 0.1, 4000
    kiln = bench.make_kiln(bench.make_series(), **sd, slip=slip)
    table = fired(bench, (735.0, 120.0), n=n)
    # Each tile is a load, a day and (four to a load) one of its own places.
    alone = table.assign(load=np.arange(n), session=np.arange(n))
    eta = float(kiln.latent(table[:1])[0])
    spread = np.sqrt(0.5**2 + 1.5**2)  # the first place is one and the same for all

    def below(cut, shift, sd):
        def at(u):
            return stats.logistic.cdf(cut - eta - shift - sd * u) * stats.norm.pdf(u)

        return integrate.quad(at, -8, 8)[0]

    rng = np.random.default_rng(4)
    written = kiln.simulate(alone, rng=rng)["stage"].to_numpy()
    shift = np.random.default_rng(4)  # the same draws, in turn
    shift.logistic(size=n), shift.standard_normal(n), shift.standard_normal(n)
    first_place = float(shift.standard_normal(1)[0])
    sugar = below(-6.0, first_place, spread)
    expected = (1 - slip) * sugar + slip * (1 - sugar) / 3
    error = 4 * 0.5 / np.sqrt(n)
    assert (written == "sugar").mean() == pytest.approx(expected, abs=error)
    # The truth is of a future place too, and knows no slip.
    true = below(5.0, 0.0, np.hypot(spread, 1.0)) - below(-3.0, 0.0, np.hypot(spread, 1.0))
    assert kiln.true_probability(table[:1])[0] == pytest.approx(true, abs=4e-5)
