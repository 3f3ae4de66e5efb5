"""The mixed regression against dense linear algebra, theory and simulation.

The reference is the likelihood written with n x n matrices and searched by
scipy's Nelder-Mead, and Kenward & Roger (1997), eqs. 3 to 6 with those matrices.
"""

import numpy as np
import pytest
from scipy.optimize import minimize

from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.mixed.degrees import (
    coefficient_table,
    coefficient_uncertainty,
    contrast_test,
)
from firelab.fits.mixed.regression import fit_mixed


def dummies(labels):
    labels = np.asarray(labels)
    return (labels[:, None] == np.unique(labels)[None, :]).astype(float)


def dense_deviance(y, X, blocks, ratios, restricted):
    n, p = X.shape
    V = np.eye(n) + sum(t * Z @ Z.T for t, Z in zip(ratios, blocks, strict=True))
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    residual = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    m = n - p if restricted else n
    value = np.linalg.slogdet(V)[1] + m * (
        1 + np.log(2 * np.pi * residual @ inverse @ residual / m)
    )
    return value + (np.linalg.slogdet(information)[1] if restricted else 0.0)


def uneven(seed, nested):
    """A small uneven table: some groups of one row, some regressors by group."""
    rng = np.random.default_rng(seed)
    n, groups = int(rng.integers(8, 41)), int(rng.integers(3, 9))
    outer = rng.integers(0, groups, n)
    inner = outer * 10 + rng.integers(0, 3, n)
    by_group = rng.normal(size=10)[outer]
    X = np.column_stack([np.ones(n), rng.normal(size=n), by_group])
    spread = rng.choice([0.0, 0.3, 1.0, 4.0])
    y = X @ rng.normal(size=3) + spread * rng.normal(size=10)[outer] + rng.normal(size=n)
    y = np.round(y) if seed % 4 == 0 else y
    y = y + rng.normal(size=100)[inner] * nested
    return y, X, [outer, inner] if nested else [outer]


@pytest.mark.parametrize("nested", [False, True])
def test_no_better_point_is_found_by_a_dense_search(nested):
    fitted = 0
    for seed in range(40):
        y, X, labels = uneven(seed, nested)
        restricted = seed % 3 > 0
        try:
            fit = fit_mixed(y, X, labels, restricted=restricted)
        except RecordsInsufficient:
            continue
        fitted += 1
        blocks = [dummies(one) for one in labels]
        here = dense_deviance(y, X, blocks, fit.ratios[: len(labels)], restricted)
        assert -2 * fit.log_likelihood == pytest.approx(here, abs=1e-8)

        def at(logs, y=y, X=X, blocks=blocks, restricted=restricted):
            return dense_deviance(y, X, blocks, np.exp(logs), restricted)

        found = min(
            minimize(at, np.full(len(labels), start), method="Nelder-Mead").fun
            for start in (-4.0, 0.0, 3.0)
        )
        assert here <= found + 1e-6
        assert fit.converged
    assert fitted >= 25


def test_uncertainty_is_kenward_and_rogers_with_dense_matrices():
    for seed in (1, 2, 5, 6, 7):
        y, X, labels = uneven(seed, nested=True)
        fit = fit_mixed(y, X, labels)
        Z = [dummies(one) for one in labels]
        parts = [*(one @ one.T for one in Z), np.eye(len(y))]
        V = sum(s * part for s, part in zip(fit.variances, parts, strict=True))
        inverse = np.linalg.inv(V)
        covariance = np.linalg.inv(X.T @ inverse @ X)
        projection = inverse - inverse @ X @ covariance @ X.T @ inverse
        information = np.array(
            [[np.trace(projection @ a @ projection @ b) / 2 for b in parts] for a in parts]
        )
        W = np.linalg.inv(information)
        P = [-X.T @ inverse @ a @ inverse @ X for a in parts]
        total = np.zeros_like(covariance)
        for i, a in enumerate(parts):
            for j, b in enumerate(parts):
                Q = X.T @ inverse @ a @ inverse @ b @ inverse @ X
                total += W[i, j] * (Q - P[i] @ covariance @ P[j])
        adjusted = covariance + 2 * covariance @ total @ covariance
        found = coefficient_uncertainty(fit)
        assert np.allclose(fit.covariance, covariance, rtol=1e-8)
        assert np.allclose(fit.variances_covariance, W, rtol=1e-6)
        assert np.allclose(found.slopes, P, rtol=1e-8, atol=1e-10)
        assert np.allclose(found.adjusted, adjusted, rtol=1e-8)
        # One coefficient: Kenward-Roger's df is 2 v^2 / var(v), v the plain variance.
        unit = np.array([0.0, 0.0, 1.0])
        slope = np.array([-(covariance @ p @ covariance)[2, 2] for p in P])
        exact = 2 * covariance[2, 2] ** 2 / (slope @ W @ slope)
        for method in ("kenward-roger", "satterthwaite"):
            test = contrast_test(found, unit, approximation=method)
            assert test.denominator == pytest.approx(exact, rel=1e-6)


def test_false_alarms_of_a_load_factor_come_as_often_as_asked():
    """A factor that changes between 7 uneven loads, no effect, 400 series.

    Five in a hundred, give or take three standard errors of 400 trials (3.3).
    """
    rng = np.random.default_rng(20)
    load = np.repeat(np.arange(7), [2, 5, 3, 4, 1, 6, 3])
    heat = np.array([-1.0, -1, 0, 0, 0, 1, 1])[load]
    X = np.column_stack([np.ones(load.size), heat, rng.normal(size=load.size)])
    alarms = plain = 0
    for _ in range(400):
        y = 0.8 * rng.normal(size=7)[load] + rng.normal(size=load.size)
        fit = fit_mixed(y, X, [load])
        alarms += coefficient_table(fit, list("abc"))["p_value"][1] < 0.05
        plain += abs(fit.coefficients[1] / fit.standard_errors[1]) > 1.96
    assert 0.017 <= alarms / 400 <= 0.083
    assert plain > alarms


@pytest.mark.parametrize("seed", range(30))
def test_few_groups_still_have_degrees(seed):
    """Three to five loads behind a factor of three levels: finite, positive, no warning."""
    rng = np.random.default_rng(seed)
    load = np.repeat(np.arange(int(rng.integers(4, 6))), rng.integers(2, 5))
    level = dummies(load % 3)[:, 1:]
    X = np.column_stack([np.ones(load.size), level, rng.normal(size=load.size)])
    y = rng.normal(size=load.max() + 1)[load] * (seed % 3) + rng.normal(size=load.size)
    uncertainty = coefficient_uncertainty(fit_mixed(y, X, [load]))
    for rows in (np.eye(4)[[1, 2]], np.eye(4)[1:], np.eye(4)[[1]]):
        for method in ("kenward-roger", "satterthwaite"):
            test = contrast_test(uncertainty, rows, approximation=method)
            assert test.denominator > 0 and 0 <= test.p_value <= 1
            assert np.isfinite(test.statistic)


def test_units_and_origin_of_the_score():
    y, X, labels = uneven(6, nested=True)
    one, two = fit_mixed(y, X, labels), fit_mixed(100 + 3 * y, X, labels)
    assert np.allclose(two.variances, 9 * one.variances, rtol=1e-8)
    assert np.allclose(two.coefficients, 3 * one.coefficients + [100, 0, 0], rtol=1e-8)
    first, second = coefficient_table(one, list("abc")), coefficient_table(two, list("abc"))
    assert np.allclose(first["df"], second["df"], rtol=1e-6)


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        ([[1, 1, 1, 1, 1, 1]], "one group"),
        ([[1, 2, 3, 4, 5, 6]], "each group holds one row"),
        ([[1, 1, 1, 2, 2, 2]], "setting of its own"),
        ([[1, 1, 2, 2, 3, 3], [1, 2, 1, 3, 4, 5]], "not nested"),
        ([[1, 1, 2, 2, 3, 3], [1, 1, 2, 2, 3, 3]], "one inner group"),
        ([], "0 groupings"),
    ],
)
def test_what_cannot_be_told_is_refused_by_name(labels, words):
    X = np.column_stack([np.ones(6), [0.0, 0, 0, 1, 1, 1]])
    with pytest.raises(FirelabError, match=words):
        fit_mixed([1.0, 2, 4, 3, 7, 5], X, labels)


def test_rows_that_agree_within_loads_leave_no_residual():
    with pytest.raises(RecordsInsufficient, match="no residual"):
        fit_mixed([1.0, 1, 2, 2, 5, 5], np.ones((6, 1)), [[1, 1, 2, 2, 3, 3]])


def test_bad_arrays_are_refused():
    ones = np.ones((4, 1))
    with pytest.raises(FirelabError, match="shapes disagree"):
        fit_mixed([1.0, 2, 3], ones, [[1, 1, 2]])
    with pytest.raises(FirelabError, match="not finite"):
        fit_mixed([1.0, 2, 3, np.nan], ones, [[1, 1, 2, 2]])
    with pytest.raises(FirelabError, match="linearly dependent"):
        fit_mixed([1.0, 2, 3, 5], np.ones((4, 2)), [[1, 1, 2, 2]])
    with pytest.raises(RecordsInsufficient, match="1 rows cannot tell"):
        fit_mixed([1.0], np.ones((1, 1)), [[1]])


def test_degrees_need_a_restricted_fit_and_independent_rows():
    y, X, labels = uneven(6, nested=False)
    plain = coefficient_uncertainty(fit_mixed(y, X, labels, restricted=False))
    with pytest.raises(FirelabError, match="restricted"):
        contrast_test(plain, [1, 0, 0])
    restricted = coefficient_uncertainty(fit_mixed(y, X, labels))
    with pytest.raises(FirelabError, match="dependent"):
        contrast_test(restricted, [[1, 0, 0], [2, 0, 0]])
