"""Figures of a plan against published values and reference libraries."""

import dataclasses
from itertools import product

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestPower

from firelab.plan.design_figures import (
    alias_matrix,
    correlations,
    inseparable_terms,
    omitted_terms,
    seen_settings,
)
from firelab.plan.efficiency import degrees_of_freedom, efficiency, power_of_shift
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.plan.schedule import order_correlation, order_note
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    MeshFactor,
    TemperatureFactor,
)
from firelab.series.firing_series import Enamel, FiringSeries
from firelab.series.series_file import design_path, read_series

BASES = read_series(design_path("base-coats"))


def wished(series, **wish):
    return dataclasses.replace(series, plan=dataclasses.replace(series.plan, **wish))


def handbook_columns(points):
    x = np.array(list(points), dtype=float)
    return np.column_stack([np.ones(len(x)), x, x[:, 0] ** 2])


def test_the_handbooks_d_optimal_example():
    # NIST/SEMATECH e-Handbook, 5.5.2.1: 12 runs of 20 candidates.
    runs = handbook_columns(product((-1, 0, 1), (-1, 1), (-1, 1)))
    region = handbook_columns(product((-1, -0.5, 0, 0.5, 1), (-1, 1), (-1, 1)))
    found = efficiency(runs, np.arange(12), 0.0, region)
    assert found.d == pytest.approx(0.6825575, abs=5e-8)
    assert found.a == pytest.approx(2.2, abs=1e-12)
    assert found.g == pytest.approx(1.0, abs=1e-12)
    assert found.i == pytest.approx(4.6625, abs=1e-12)
    assert np.sqrt(found.variance.max()) == pytest.approx(0.645497, abs=5e-7)


def test_a_plan_that_cannot_carry_the_model_has_no_efficiency():
    twice = handbook_columns([(-1, -1, -1), (1, 1, 1)] * 4)
    assert efficiency(twice, np.arange(8), 0.0, twice) is None
    lost = inseparable_terms(twice, ("mean", "a", "b", "c", "a^2"))
    assert lost == ("mean", "a", "b", "c", "a^2")
    assert inseparable_terms(np.eye(3), ("a", "b", "c")) == ()


@pytest.mark.parametrize("freedom", [4, 11, 30])
@pytest.mark.parametrize("ratio", [0.5, 2.0, 3.5])
def test_power_is_that_of_reference_libraries(ratio, freedom):
    ours = power_of_shift(ratio, freedom)
    limit = stats.t.ppf(0.975, freedom)
    direct = stats.nct.sf(limit, freedom, ratio) + stats.nct.cdf(-limit, freedom, ratio)
    assert ours == pytest.approx(direct, abs=2e-4)
    # statsmodels' one-sample power: ratio is the effect times the root of n.
    n = freedom + 1
    theirs = TTestPower().power(ratio / np.sqrt(n), nobs=n, alpha=0.05)
    assert ours == pytest.approx(theirs, abs=2e-4)


@pytest.mark.parametrize("freedom", [1, 2, 5, 10, 39, 120])
@pytest.mark.parametrize("ratio", [5.0, 7.7, 12.0, 20.0, 38.0, 400.0])
def test_power_of_a_large_shift_is_a_number(ratio, freedom):
    # The normal tail beyond the limit, averaged over the scale that was estimated:
    # midpoints of the probability of a chi-square over its degrees of freedom.
    share = (np.arange(200_000) + 0.5) / 200_000
    scale = np.sqrt(stats.chi2.ppf(share, freedom) / freedom)
    limit = stats.t.ppf(0.975, freedom) * scale
    direct = np.mean(stats.norm.sf(limit - ratio) + stats.norm.cdf(-limit - ratio))
    assert power_of_shift(ratio, freedom) == pytest.approx(direct, abs=1e-4)


def test_a_plan_with_a_large_shift_is_written(tmp_path):
    factors = Factors(
        temperature=TemperatureFactor(levels=(720.0, 745.0, 770.0, 795.0)),
        dwell=DwellFactor(levels=(90.0, 120.0, 150.0)),
        mesh=MeshFactor(levels=(80, 150)),
        base=BaseFactor(levels=("none", "clear")),
    )
    series = FiringSeries(name="wide", enamel=Enamel(colour="any"), factors=factors)
    write_plan(make_plan(wished(series, shift=6.0)), tmp_path)
    powers = read_plan(tmp_path, series).figures["power"].values()
    assert all(0.99 < one["power"] <= 1.0 for one in powers)


def test_degrees_of_freedom_of_a_textbook_split_plot():
    # Six loads at two temperatures, four bases within each load, as in the
    # classical split-plot analysis: 6 - 2 = 4 between, 18 - 3 = 15 within.
    plot = np.repeat(np.arange(6), 4)
    heat = np.repeat([-1.0, 1.0] * 3, 4)
    base = np.tile(np.eye(4), (6, 1))[:, 1:]
    rows = np.column_stack([np.ones(24), heat, base])
    assert degrees_of_freedom(rows, plot) == (4, 15)


def test_figures_of_a_plan_agree_with_generalised_least_squares():
    plan = make_plan(BASES)
    figures = plan.figures
    assert figures["estimable"]
    seen = seen_settings(BASES, plan.tiles)
    t = (seen["temperature_degC"] - seen["temperature_degC"].unique().mean()).to_numpy()
    t = t / t.max()
    d = np.log(seen["dwell_s"].to_numpy())
    d = (d - (d.max() + d.min()) / 2) / ((d.max() - d.min()) / 2)
    base = [
        (seen["base"] == name).to_numpy(float) for name in BASES.factors.base.levels[1:]
    ]
    x = np.column_stack([np.ones(len(seen)), t, d, *base])
    same = seen["load"].to_numpy()[:, None] == seen["load"].to_numpy()
    v = np.eye(len(seen)) + BASES.plan.load_variance_ratio * same
    cover = np.linalg.inv(x.T @ np.linalg.solve(v, x))
    errors = [one["standard_error"] for one in figures["power"].values()]
    np.testing.assert_allclose(errors, np.sqrt(np.diag(cover))[1:], atol=1e-3)
    assert figures["efficiency"]["ln_det"] == pytest.approx(
        -np.linalg.slogdet(cover)[1], abs=1e-2
    )


def test_balance_counts_every_firing():
    plan = make_plan(BASES)
    for counts in plan.figures["balance"].values():
        assert sum(counts.values()) == len(plan.tiles)
        assert len(set(counts.values())) == 1


def test_more_tiles_mean_more_power_and_a_smaller_shift_less():
    def least(series):
        return min(one["power"] for one in make_plan(series).figures["power"].values())

    once, twice = wished(BASES, repeats=1), wished(BASES, repeats=2)
    assert least(twice) > least(once)
    assert least(wished(BASES, repeats=2, shift=0.5)) < least(twice)


def test_aliases_name_what_the_model_leaves_out():
    assert "temperature:dwell" in omitted_terms(BASES)
    assert "temperature^2" in omitted_terms(BASES)
    assert "dwell^2" not in omitted_terms(BASES)  # two dwells show no bend
    rng = np.random.default_rng(2)
    rows = np.column_stack([np.ones(9), rng.normal(size=(9, 2))])
    extra = rng.normal(size=(9, 1))
    least_squares = np.linalg.lstsq(rows, extra, rcond=None)[0]
    np.testing.assert_allclose(
        alias_matrix(rows, extra, np.arange(9), 0.0), least_squares, atol=1e-12
    )


def test_correlations_are_pearsons():
    rng = np.random.default_rng(4)
    rows = np.column_stack([np.ones(12), rng.normal(size=(12, 2))])
    told = correlations(rows, ["a", "b"])
    assert told["a ~ b"] == round(float(np.corrcoef(rows[:, 1], rows[:, 2])[0, 1]), 3)


def test_the_order_and_its_cost_are_told():
    random_order = make_plan(BASES).figures["order"]
    low_to_high = make_plan(wished(BASES, order="low to high"))
    climbing = low_to_high.figures["order"]
    assert climbing["hours"] <= random_order["hours"]
    assert climbing["hours"] == climbing["hours_low_to_high"]
    assert climbing["changes"] == 3
    assert climbing["correlation"] > 0.8 > 0.3 > abs(random_order["correlation"])
    assert "cannot be told from temperature" in order_note(climbing)
    assert any("low to high" in note for note in low_to_high.notes)
    loads = low_to_high.table.drop_duplicates("load")
    in_order = (loads[name].to_numpy() for name in ("session", "temperature_degC"))
    assert order_correlation(*in_order) == pytest.approx(climbing["correlation"], abs=1e-3)
    for _, rows in loads.groupby("session"):
        assert rows["temperature_degC"].is_monotonic_increasing
