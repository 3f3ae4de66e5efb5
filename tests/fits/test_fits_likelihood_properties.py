"""What theory says a fit must do when its table is written another way."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from firelab.errors import FirelabError
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.links import LINKS
from firelab.fits.questions.left_out_loads import grade_probabilities

SEEDS = st.integers(0, 2**31)
MIRROR = {"logit": "logit", "probit": "probit", "cloglog": "loglog", "loglog": "cloglog"}
"""The link of each that a reversed scale of grades needs: F(x) turned into 1 - F(-x)."""
LIKE = {"rtol": 1e-6, "atol": 1e-7}


@dataclass(frozen=True)
class Table:
    """Invented looks with a finite maximum, almost always."""

    y: NDArray[np.int64]
    X: NDArray[np.float64]
    load: NDArray[np.int64]
    rng: np.random.Generator


def fitted(table: Table, link: str, effect: bool):
    groups = table.load if effect else None
    return fit_cumulative_link(table.y, table.X, n_grades=4, link=link, groups=groups)


def invented(seed: int) -> Table:
    rng = np.random.default_rng(seed)
    n = 60
    X = np.column_stack([rng.normal(size=n), rng.integers(0, 2, n)])
    load = np.arange(n) % 10
    eta = X @ [0.6, -0.5] + 0.8 * rng.normal(size=10)[load] + rng.logistic(size=n)
    return Table(np.searchsorted([-1.0, 0.5, 1.5], eta), X, load, rng)


@given(SEEDS, st.sampled_from(sorted(LINKS)), st.booleans())
@settings(max_examples=20, deadline=None, derandomize=True)
def test_order_of_rows_and_labels_of_loads_do_not_matter(seed, link, effect) -> None:
    table = invented(seed)
    fit = fitted(table, link, effect)
    order = table.rng.permutation(len(table.y))
    renamed = np.array([f"load {9 - i}" for i in range(10)])[table.load][order]
    other = fit_cumulative_link(
        table.y[order],
        table.X[order],
        n_grades=4,
        link=link,
        groups=renamed if effect else None,
    )
    assert other.estimator == fit.estimator
    np.testing.assert_allclose(other.estimates, fit.estimates, **LIKE)
    np.testing.assert_allclose(other.log_likelihood, fit.log_likelihood, rtol=1e-10)


@given(SEEDS, st.sampled_from(sorted(LINKS)), st.booleans())
@settings(max_examples=20, deadline=None, derandomize=True)
def test_reversing_the_scale_flips_every_sign(seed, link, effect) -> None:
    table = invented(seed)
    fit = fitted(table, link, effect)
    turned = fitted(replace(table, y=3 - table.y), MIRROR[link], effect)
    assert turned.estimator == fit.estimator
    np.testing.assert_allclose(turned.coefficients, -fit.coefficients, **LIKE)
    np.testing.assert_allclose(turned.thresholds, -fit.thresholds[::-1], **LIKE)
    np.testing.assert_allclose(turned.effect_sd, fit.effect_sd, atol=1e-6)
    np.testing.assert_allclose(turned.log_likelihood, fit.log_likelihood, rtol=1e-9)


@given(
    SEEDS,
    st.sampled_from(sorted(LINKS)),
    st.booleans(),
    st.floats(1e-4, 1e4),
    st.floats(-100, 100),
)
@settings(max_examples=20, deadline=None, derandomize=True)
def test_units_change_coefficients_and_nothing_else(seed, link, effect, by, shift) -> None:
    table = invented(seed)
    fit = fitted(table, link, effect)
    other_X = table.X * [by, 1.0] + [by * shift, 0.0]
    other = fitted(replace(table, X=other_X), link, effect)
    assert other.estimator == fit.estimator
    np.testing.assert_allclose(other.coefficients * [by, 1.0], fit.coefficients, **LIKE)
    np.testing.assert_allclose(
        grade_probabilities(other, other_X), grade_probabilities(fit, table.X), atol=1e-7
    )


@given(SEEDS, st.sampled_from(sorted(LINKS)), st.booleans())
@settings(max_examples=20, deadline=None, derandomize=True)
def test_rows_twice_with_half_weights_change_nothing(seed, link, effect) -> None:
    table = invented(seed)
    fit = fitted(table, link, effect)
    twice = fit_cumulative_link(
        np.tile(table.y, 2),
        np.tile(table.X, (2, 1)),
        n_grades=4,
        link=link,
        weights=np.full(2 * len(table.y), 0.5),
        groups=np.tile(table.load, 2) if effect else None,
    )
    np.testing.assert_allclose(twice.estimates, fit.estimates, **LIKE)
    np.testing.assert_allclose(twice.standard_errors, fit.standard_errors, **LIKE)
    np.testing.assert_allclose(twice.log_likelihood, fit.log_likelihood, rtol=1e-10)


def _choices(load):
    return {
        "plain": {},
        "load": {"groups": load},
        "laplace": {"groups": load, "n_quadrature": 1},
        "ml": {"estimator": "ml"},
        "penalised": {"estimator": "penalised"},
    }


@given(
    SEEDS,
    st.integers(4, 40),
    st.integers(2, 5),
    st.integers(0, 3),
    st.sampled_from(["logit", "probit", "cloglog", "loglog"]),
    st.sampled_from(["plain", "load", "laplace", "ml", "penalised"]),
    st.sampled_from([0.0, 1.0, 6.0]),
)
@settings(max_examples=80, deadline=None, derandomize=True)
def test_any_small_table_gives_a_fit_or_a_named_refusal(
    seed, n, n_grades, p, link, way, strength
) -> None:
    rng = np.random.default_rng(seed)
    kinds = [rng.integers(0, 2, n), rng.choice([-1, 0, 1], n), rng.normal(size=n) * 1e3]
    X = np.column_stack([kinds[i] for i in rng.integers(0, 3, p)] + [np.empty((n, 0))])
    load = rng.integers(0, max(2, n // 4), n)
    size = np.maximum(np.abs(X).max(axis=0, initial=1e-9), 1e-9)
    eta = X @ (strength * rng.normal(size=p) / size) + rng.normal(size=n)[load]
    y = np.clip(
        np.floor(0.7 * (eta + rng.logistic(size=n)) + n_grades / 2), 0, n_grades - 1
    )
    choices = _choices(load)[way]
    try:
        fit = fit_cumulative_link(y.astype(int), X, n_grades=n_grades, link=link, **choices)
    except FirelabError as refusal:
        assert refusal.what
        assert refusal.hint
        return
    assert fit.convergence.code == 0
    assert np.all(np.isfinite(fit.estimates))
    assert np.all(np.isfinite(fit.standard_errors))
    assert np.isfinite(fit.log_likelihood)
    assert np.all(np.diff(fit.thresholds) > 0.0)
    assert np.min(fit.convergence.correct_decimals) > 3
    assert fit.effect_sd <= 20.0
    chances = grade_probabilities(fit, X)
    np.testing.assert_allclose(chances.sum(axis=1), 1.0, rtol=1e-9)
    assert np.all(chances >= 0.0)
