"""Least squares against NIST's Statistical Reference Datasets and e-Handbook.

Certified values and data: NIST/ITL StRD, https://www.itl.nist.gov/div898/strd/
(Longley's data from statsmodels, the analysis-of-variance files from scipy's own
tests; Norris, NoInt and Wampler typed here). Plans: NIST/SEMATECH e-Handbook of
Statistical Methods, 5.6.1 (eddy current) and 5.4.7.1 (ceramic strength).
The number of correct digits is the log relative error. Wampler4 and Wampler5, and
the analysis-of-variance files with 13 leading digits (SmLs07 to SmLs09), are beyond
what double precision and the library underneath keep; what they do reach is held.
"""

import itertools
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm

from firelab.fits.clarity.regression import least_squares

NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3
998.5 996.3 449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9
339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6
119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""
WAMPLER_NOISE = [759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048]
WAMPLER_NOISE += WAMPLER_NOISE[-2::-1]
WAMPLER3_ERRORS = [
    2152.32624678170,
    2363.55173469681,
    779.343524331583,
    101.475507550350,
    5.64566512170752,
    0.112324854679312,
]
LONGLEY = [
    -3482258.63459582,
    15.0618722713733,
    -0.358191792925910e-01,
    -2.02022980381683,
    -1.03322686717359,
    -0.511041056535807e-01,
    1829.15146461355,
]
LONGLEY_ERRORS = [
    890420.383607373,
    84.9149257747669,
    0.334910077722432e-01,
    0.488399681651699,
    0.214274163161675,
    0.226073200069370,
    455.478499142212,
]


def digits(found, certified):
    found, certified = np.asarray(found, float), np.asarray(certified, float)
    error = np.abs(found - certified) / np.where(certified == 0, 1.0, np.abs(certified))
    return float(-np.log10(np.maximum(error, 1e-15)).min())


def fitted(y, X, terms=None):
    names = [f"b{i}" for i in range(X.shape[1])]
    return least_squares(np.asarray(y, float), np.asarray(X, float), names, terms or {})


def test_longley():
    data = sm.datasets.longley.load_pandas()
    X = np.column_stack([np.ones(16), data.exog.to_numpy()])
    fit = fitted(data.endog, X)
    assert digits(fit.coefficients["estimate"], LONGLEY) >= 9
    assert digits(fit.coefficients["standard_error"], LONGLEY_ERRORS) >= 9
    assert digits(fit.residual_sd, 304.854073561965) >= 9


def test_norris():
    pairs = np.array(NORRIS.split(), dtype=float).reshape(-1, 2)
    fit = fitted(pairs[:, 0], np.column_stack([np.ones(36), pairs[:, 1]]))
    assert digits(fit.coefficients["estimate"], [-0.262323073774029, 1.00211681802045]) >= 9
    errors = [0.232818234301152, 0.429796848199937e-03]
    assert digits(fit.coefficients["standard_error"], errors) >= 9
    assert digits(fit.residual_sd, 0.884796396144373) >= 9


@pytest.mark.parametrize(
    ("x", "y", "slope", "error"),
    [
        (range(60, 71), range(130, 141), 2.07438016528926, 0.165289256198347e-01),
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.420827318078432e-01),
    ],
)
def test_no_intercept(x, y, slope, error):
    fit = fitted(list(y), np.array(x, dtype=float)[:, None])
    assert digits(fit.coefficients["estimate"], slope) >= 9
    assert digits(fit.coefficients["standard_error"], error) >= 9


def wampler(scale):
    powers = np.vander(np.arange(21.0), 6, increasing=True)
    return powers, powers.sum(axis=1) + scale * np.array(WAMPLER_NOISE, dtype=float)


@pytest.mark.parametrize(("scale", "least"), [(0, 9.0), (1, 9.0), (100, 7.0), (10000, 5.0)])
def test_wampler_1_3_4_and_5(scale, least):
    powers, y = wampler(scale)
    fit = fitted(y, powers)
    assert digits(fit.coefficients["estimate"], np.ones(6)) >= least
    if scale:
        errors = scale * np.array(WAMPLER3_ERRORS)
        assert digits(fit.coefficients["standard_error"], errors) >= 9
        assert digits(fit.residual_sd, scale * 2360.14502379268) >= 9


def test_wampler_2():
    powers = np.vander(np.arange(21.0), 6, increasing=True)
    exact = 0.1 ** np.arange(6)
    assert digits(fitted(powers @ exact, powers).coefficients["estimate"], exact) >= 9


ANOVA = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


@pytest.mark.skipif(not ANOVA.is_dir(), reason="scipy is installed without its tests")
@pytest.mark.parametrize(
    ("name", "least"),
    [("SiRstv", 9.0), ("AtmWtAg", 9.0)]
    + [(f"SmLs0{i}", 9.0) for i in range(1, 7)]
    + [(f"SmLs0{i}", 4.0) for i in range(7, 10)],
)
def test_one_way_analysis_of_variance(name, least):
    lines = (ANOVA / f"{name}.dat").read_text().splitlines()
    between = next(line for line in lines if line.startswith("Between")).split()
    within = next(line for line in lines if line.startswith("Within")).split()
    rows = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    levels = np.unique(rows[:, 0])
    X = np.column_stack([np.ones(len(rows)), *(rows[:, 0] == one for one in levels[1:])])
    fit = fitted(rows[:, 1], X, {"treatment": range(1, X.shape[1])})
    assert digits(fit.terms["F"][0], float(between[-1])) >= least
    assert digits(fit.residual_sd**2, float(within[-1])) >= least


def coded(factors):
    """All runs of a two-level plan in standard order, first factor fastest."""
    return np.array(list(itertools.product([-1.0, 1.0], repeat=factors)))[:, ::-1]


def products(runs, orders):
    chosen = [c for k in orders for c in itertools.combinations(range(runs.shape[1]), k)]
    return chosen, np.column_stack([runs[:, list(c)].prod(axis=1) for c in chosen])


def test_eddy_current_probe():
    y = np.array([1.70, 4.57, 0.55, 3.39, 1.51, 4.59, 0.67, 4.29])
    chosen, columns = products(coded(3), (1, 2))
    fit = fitted(y, np.column_stack([np.ones(8), columns]))
    # Handbook 5.6.1: mean and effects (twice a coefficient of +-1 coding).
    estimate = fit.coefficients["estimate"].to_numpy()
    published = [3.10250, -0.86750, 0.21250, 0.12750, 0.24750, 0.29750]
    assert chosen == [(0,), (1,), (2,), (0, 1), (0, 2), (1, 2)]
    assert np.allclose(2 * estimate[1:], published, atol=1e-10)
    assert np.isclose(estimate[0], 2.65875, atol=1e-12)
    # The three-factor interaction, 0.1425, is what is left over: sqrt(2) x 0.1425,
    # which the handbook prints with seven right digits.
    assert digits(fit.residual_sd, np.sqrt(2) * 0.1425) >= 9
    assert digits(fit.residual_sd, 0.20152531564) >= 6
    assert round(float(fit.coefficients["t"][1]), 1) == 21.8


CERAMIC = [
    680.45, 722.48, 702.14, 666.93, 703.67, 642.14, 692.98, 669.26,
    491.58, 475.52, 478.76, 568.23, 444.72, 410.37, 428.51, 491.47,
    607.34, 620.80, 610.55, 638.04, 585.19, 586.17, 601.67, 608.31,
    442.90, 434.41, 417.66, 510.84, 392.11, 343.22, 385.52, 446.73,
]  # fmt: skip


def determination(fit, X, y):
    residual = y - X @ fit.coefficients["estimate"].to_numpy()
    return 1 - residual @ residual / ((y - y.mean()) ** 2).sum()


def test_ceramic_strength():
    y = np.array(CERAMIC)
    chosen, columns = products(coded(5), (1, 2, 3))
    full = np.column_stack([np.ones(32), columns])
    fit = fitted(y, full)
    # Handbook 5.4.7.1: all terms to third order.
    assert round(determination(fit, full, y), 6) == 0.995127
    assert round(fit.residual_sd, 5) == 17.81632
    assert round(
        32 * float(fit.coefficients["estimate"][1 + chosen.index((3,))]) ** 2, 2
    ) == (315132.65)
    largest = np.argsort(-np.abs(fit.coefficients["estimate"].to_numpy()[1:]))[:12]
    few = np.column_stack([np.ones(32), columns[:, largest]])
    smaller = fitted(y, few)
    assert round(determination(smaller, few, y), 6) == 0.989114
    assert round(smaller.residual_sd, 5) == 14.96346
