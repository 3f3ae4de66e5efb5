"""The clarity posterior against its definition and against its own promise.

References: the marginal likelihood as scipy's multivariate normal density with
an n x n covariance; moments by summing that density over a fine grid; and the
calibration that any right posterior has when truths come from its priors (Cook,
Gelman & Rubin 2006, "Validation of software for Bayesian models").
"""

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import binom, multivariate_normal

from firelab.fits.clarity.maturity import ClarityDraws
from firelab.fits.clarity.posterior import (
    ClarityPriors,
    clarity_priors,
    draw_clarity,
    log_density,
    score_sums,
)
from firelab.fits.clarity.regression import ScoreColumns
from firelab.series.declared_parts import PriorSpecification
from firelab.series.responses import TransparencyResponse
from firelab.series.terms import TEMPERATURE, ModelColumn

COLUMNS = (TEMPERATURE, ModelColumn(powers=(("mesh", 1),)))


def scored(score, X, load):
    names = COLUMNS[: X.shape[1]]
    return ScoreColumns(score=score, X=X, load=load, columns=names, owners=names)


def small(seed=4, n_loads=4, per_load=3):
    rng = np.random.default_rng(seed)
    load = np.repeat(np.arange(n_loads), per_load)
    heat = np.linspace(-1, 1, n_loads)[load]
    X = np.column_stack([heat, rng.choice([-1.0, 1.0], load.size)])
    priors = clarity_priors(TransparencyResponse(), PriorSpecification(), COLUMNS)
    score = np.round(5 + X @ [1.0, -1.0] + 0.8 * rng.normal(size=n_loads)[load])
    score = score + np.round(rng.normal(size=load.size))
    return score, X, load, priors


def dense(score, X, load, priors, load_sd, residual_sd):
    full = np.column_stack([np.ones(len(score)), X])
    same = (load[:, None] == load[None, :]).astype(float)
    covariance = load_sd**2 * same + (residual_sd**2 + priors.rounding) * np.eye(len(score))
    return full, covariance, covariance + (full * priors.sd**2) @ full.T


def test_density_is_that_of_the_whole_covariance():
    score, X, load, priors = small()
    sums = score_sums(scored(score, X, load), priors)
    sds = np.array([[0.0, 0.0], [0.3, 1.0], [2.0, 0.1], [0.01, 3.0]])
    found = log_density(sums, priors, sds[:, 0], sds[:, 1])
    for (load_sd, residual_sd), value in zip(sds, found, strict=True):
        full, _, marginal = dense(score, X, load, priors, load_sd, residual_sd)
        exact = multivariate_normal.logpdf(score, full @ priors.mean, marginal)
        exact -= (load_sd / priors.load_scale) ** 2 / 2
        exact -= (residual_sd / priors.residual_scale) ** 2 / 2
        assert value == pytest.approx(exact, abs=1e-8)


def test_draws_have_the_moments_of_the_density():
    score, X, load, priors = small()
    sums = score_sums(scored(score, X, load), priors)
    grid = np.stack(np.meshgrid(np.linspace(0.01, 6, 120), np.linspace(0.01, 6, 120)))
    sds = grid.reshape(2, -1).T
    weight = np.exp(log_density(sums, priors, sds[:, 0], sds[:, 1]))
    weight /= weight.sum()
    means = np.empty((len(sds), 3))
    squares = np.empty((len(sds), 3))
    for k, (load_sd, residual_sd) in enumerate(sds):
        full, covariance, _ = dense(score, X, load, priors, load_sd, residual_sd)
        solved = np.linalg.solve(covariance, full)
        spread = np.linalg.inv(full.T @ solved + np.diag(priors.sd**-2.0))
        means[k] = priors.mean + spread @ (solved.T @ (score - full @ priors.mean))
        squares[k] = means[k] ** 2 + np.diag(spread)
    n = 20000
    posterior = draw_clarity(sums, priors, n_draws=n, rng=np.random.default_rng(1))
    draws = posterior.draws
    drawn = np.column_stack([draws.intercept, draws.coefficients])
    exact_mean = weight @ means
    exact_sd = np.sqrt(weight @ squares - exact_mean**2)
    assert np.allclose(drawn.mean(axis=0), exact_mean, atol=4 * exact_sd.max() / n**0.5)
    assert np.allclose(drawn.std(axis=0), exact_sd, rtol=0.03)
    assert draws.load_sd.mean() == pytest.approx(weight @ sds[:, 0], abs=0.02)
    assert draws.residual_sd.mean() == pytest.approx(weight @ sds[:, 1], abs=0.02)
    assert posterior.effective_draws > 0.8 * n


def test_without_a_tile_the_draws_are_the_priors():
    priors = clarity_priors(TransparencyResponse(), PriorSpecification(), COLUMNS)
    nothing = score_sums(
        scored(np.empty(0), np.empty((0, 2)), np.empty(0, dtype=int)), priors
    )
    draws = draw_clarity(nothing, priors, n_draws=4000, rng=np.random.default_rng(2)).draws
    assert draws.coefficients.std(axis=0) == pytest.approx([2.5, 2.5], rel=0.05)
    # The mean of a half-normal of scale 1 is sqrt(2 / pi).
    assert draws.load_sd.mean() == pytest.approx(np.sqrt(2 / np.pi), rel=0.05)
    assert draws.residual_sd.mean() == pytest.approx(1.5 * np.sqrt(2 / np.pi), rel=0.05)


def test_wide_priors_give_least_squares():
    rng = np.random.default_rng(8)
    load = np.repeat(np.arange(10), 6)
    X = rng.normal(size=(60, 1))
    score = 5 + 2 * X[:, 0] + rng.normal(size=60)
    wide = ClarityPriors(
        mean=np.zeros(2),
        sd=np.full(2, 1e4),
        load_scale=1e-3,
        residual_scale=50.0,
        rounding=0.0,
    )
    draws = draw_clarity(
        score_sums(scored(score, X, load), wide), wide, n_draws=8000, rng=rng
    ).draws
    exact = np.linalg.lstsq(np.column_stack([np.ones(60), X]), score, rcond=None)[0]
    assert draws.intercept.mean() == pytest.approx(exact[0], abs=0.01)
    assert draws.coefficients[:, 0].mean() == pytest.approx(exact[1], abs=0.01)


def test_alike_scores_keep_a_spread():
    """All scores equal: whole steps hide up to half a step, and the fit knows it."""
    _, X, load, priors = small()
    sums = score_sums(scored(np.full(load.size, 7.0), X, load), priors)
    draws = draw_clarity(sums, priors, n_draws=500, rng=np.random.default_rng(3)).draws
    assert np.isfinite(draws.coefficients).all()
    assert draws.coefficients.std(axis=0).min() > 0.05


def probability_by_hand(draws, x, target, sign):
    mean = draws.intercept + draws.coefficients @ x
    sd = np.hypot(draws.load_sd, draws.residual_sd)
    return ndtr(sign * (mean - target) / sd + 0.5 / sd)


def test_probability_turns_with_the_direction():
    rng = np.random.default_rng(5)
    draws = ClarityDraws(
        intercept=rng.normal(6, 1, 50),
        coefficients=rng.normal(size=(50, 2)),
        load_sd=rng.random(50),
        residual_sd=rng.random(50) + 0.5,
    )
    x = np.array([0.3, -1.0])
    high = draws.probability_clear([x], 7.0, 1, 0.5)[:, 0]
    low = draws.probability_clear([x], 7.0, -1, 0.5)[:, 0]
    assert np.allclose(high, probability_by_hand(draws, x, 7.0, 1))
    assert np.allclose(low, probability_by_hand(draws, x, 7.0, -1))
    # Scores at the target are on both sides; all others on one.
    mean, sd = draws.mean_score([x])[:, 0], np.hypot(draws.load_sd, draws.residual_sd)
    at_target = ndtr((7.5 - mean) / sd) - ndtr((6.5 - mean) / sd)
    assert np.allclose(high + low, 1 + at_target)


def test_intervals_hold_truths_drawn_from_the_priors():
    """90 % intervals over 250 series of 12 whole-step scores in 4 loads.

    Each share lies within the central 99.8 % of a binomial at 0.9.
    """
    rng = np.random.default_rng(77)
    priors = clarity_priors(TransparencyResponse(), PriorSpecification(), COLUMNS)
    load = np.repeat(np.arange(4), 3)
    series, held = 250, np.zeros(5)
    for _ in range(series):
        X = np.column_stack(
            [np.array([-1.0, -0.3, 0.3, 1.0])[load], rng.choice([-1.0, 1.0], 12)]
        )
        beta = rng.normal(priors.mean, priors.sd)
        load_sd = abs(rng.normal(0, priors.load_scale))
        residual_sd = abs(rng.normal(0, priors.residual_scale))
        score = (
            np.column_stack([np.ones(12), X]) @ beta + load_sd * rng.normal(size=4)[load]
        )
        score = np.round(score + residual_sd * rng.normal(size=12))
        draws = draw_clarity(
            score_sums(scored(score, X, load), priors),
            priors,
            n_draws=400,
            rng=rng,
        ).draws
        drawn = np.column_stack(
            [draws.intercept, draws.coefficients, draws.load_sd, draws.residual_sd]
        )
        low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
        truth = np.append(beta, [load_sd, residual_sd])
        held += (low <= truth) & (truth <= high)
    fewest, most = binom.ppf([0.001, 0.999], series, 0.9)
    assert (held >= fewest).all() and (held <= most).all(), held / series
