"""Clarity with few grades or an end of the scale reached.

References: statsmodels' OrderedModel for the classical table; scipy's adaptive
quadrature for the posterior density; and the calibration that a right posterior
has when truths come from its priors.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm
from statsmodels.miscmodels.ordinal_model import OrderedModel

from firelab.fits.clarity.grades import (
    draw_graded,
    graded_scores,
    has_few_grades,
    reaches_an_end,
    regress_grades,
)
from firelab.fits.clarity.posterior import clarity_priors, draw_clarity, score_sums
from firelab.fits.clarity.regression import ScoreColumns
from firelab.fits.ordinal.priors import half_normal
from firelab.fits.sampling.importance import find_mode
from firelab.series.declared_parts import PriorSpecification
from firelab.series.responses import TransparencyResponse
from firelab.series.terms import TEMPERATURE, ModelColumn

COLUMNS = (TEMPERATURE, ModelColumn(powers=(("mesh", 1),)))
FIVE = TransparencyResponse(low=0, high=4, step=1, target=3)
TEN = TransparencyResponse()


def scored(score, X, load):
    return ScoreColumns(
        score=score, X=X, load=load, columns=COLUMNS, owners=("temperature", "mesh")
    )


def made(scale, seed=1, n_loads=4, per_load=3, top=0.8):
    rng = np.random.default_rng(seed)
    load = np.repeat(np.arange(n_loads), per_load)
    X = np.column_stack(
        [np.linspace(-1, 1, n_loads)[load], rng.choice([-1.0, 1.0], load.size)]
    )
    width = scale.high - scale.low
    latent = scale.low + width * (top + X @ [0.15, -0.1])
    latent += width * (
        0.06 * rng.normal(size=n_loads)[load] + 0.1 * rng.normal(size=load.size)
    )
    return np.clip(np.round(latent), scale.low, scale.high), X, load


def test_when_a_score_is_read_as_grades():
    assert has_few_grades(FIVE, np.array([0.0, 4]))
    assert has_few_grades(TEN, np.array([6.0, 7, 7, 8]))
    assert not has_few_grades(TEN, np.array([5.0, 6, 7, 8, 9]))
    assert not has_few_grades(TEN, np.empty(0))
    assert reaches_an_end(TEN, np.array([10.0, 8, 7, 6]))
    assert not reaches_an_end(TEN, np.array([10.0, 9, 8, 7, 6]))
    assert not reaches_an_end(TEN, np.empty(0))


def test_few_grades_are_tested_as_statsmodels_does():
    rng = np.random.default_rng(7)
    X = np.column_stack([rng.normal(size=60), rng.choice([-1.0, 1.0], 60)])
    score = np.clip(np.round(2 + X @ [0.8, -0.5] + 0.8 * rng.normal(size=60)), 0, 4)
    found = regress_grades(scored(score, X, np.arange(60)))
    grades = pd.Categorical(score, ordered=True)
    model = OrderedModel(pd.Series(grades), X, distr="logit")
    reference = model.fit(method="bfgs", disp=False, gtol=1e-8)
    assert found.method == "ordinal"
    assert np.allclose(found.coefficients["estimate"], reference.params[:2], atol=1e-4)
    assert np.allclose(found.coefficients["standard_error"], reference.bse[:2], atol=1e-3)
    reduced = OrderedModel(pd.Series(grades), X[:, [1]], distr="logit").fit(
        method="bfgs", disp=False, gtol=1e-8
    )
    ratio = 2 * (reference.llf - reduced.llf)
    tests = found.terms.set_index("term")
    assert tests.loc["temperature", "chi_squared"] == pytest.approx(ratio, abs=1e-4)
    assert tests["df"].tolist() == [1, 1]
    assert "these loads cannot tell one" in found.notes[-1]


def test_loads_enter_where_they_can_and_one_score_tells_nothing():
    score, X, load = made(FIVE, n_loads=8, per_load=4, top=0.5)
    found = regress_grades(scored(score, X, load))
    assert "no load effect in the table" not in " ".join(found.notes)
    alike = regress_grades(scored(np.full(len(score), 3.0), X, load))
    assert alike.method == "none" and alike.coefficients.empty


def by_hand(score, X, load, scale, priors, point):
    """Log posterior with each load's effect integrated by adaptive quadrature."""
    mean = np.column_stack([np.ones(len(score)), X]) @ (point[:3] * priors.sd + priors.mean)
    load_sd = half_normal(point[3:4], priors.load_scale)[0][0] + 1e-3 * priors.load_scale
    residual = (
        half_normal(point[4:5], priors.residual_scale)[0][0] + 1e-3 * priors.residual_scale
    )
    low = np.where(score <= scale.low, -np.inf, score - scale.step / 2)
    high = np.where(score >= scale.high, np.inf, score + scale.step / 2)
    total = -0.5 * point @ point
    for one in np.unique(load):
        of = load == one

        def density(u, of=of):
            inside = norm.cdf((high[of] - mean[of] - u) / residual) - norm.cdf(
                (low[of] - mean[of] - u) / residual
            )
            return np.prod(inside) * norm.pdf(u, scale=load_sd)

        total += np.log(quad(density, -9 * load_sd, 9 * load_sd, limit=200)[0])
    return total


def test_density_and_gradient():
    score, X, load = made(TEN)
    priors = clarity_priors(TEN, PriorSpecification(), COLUMNS)
    graded = graded_scores(scored(score, X, load), TEN, priors)
    rng = np.random.default_rng(3)
    mode = find_mode(graded.log_density_and_gradient, np.zeros(5)).point
    points = mode + 0.03 * rng.normal(size=(4, 5))
    value, gradient = graded.log_density_and_gradient(points)
    exact = [by_hand(score, X, load, TEN, priors, point) for point in points]
    assert np.allclose(value, exact, atol=1e-4)
    assert np.allclose(graded.log_density(points), value, atol=1e-10)
    for k in range(5):
        step = 1e-5 * np.eye(5)[k]
        slope = graded.log_density(points + step) - graded.log_density(points - step)
        assert np.allclose(gradient[:, k], slope / 2e-5, atol=1e-5)


def test_away_from_the_ends_both_posteriors_agree():
    score, X, load = made(TEN, top=0.5, n_loads=6, per_load=4)
    priors = clarity_priors(TEN, PriorSpecification(), COLUMNS)
    rng = np.random.default_rng(4)
    one = draw_clarity(
        score_sums(scored(score, X, load), priors), priors, n_draws=4000, rng=rng
    ).draws
    two = draw_graded(
        graded_scores(scored(score, X, load), TEN, priors), n_draws=4000, rng=rng
    ).draws
    for name in ("intercept", "coefficients", "load_sd", "residual_sd"):
        first, second = getattr(one, name), getattr(two, name)
        spread = first.std(axis=0)
        assert np.all(np.abs(first.mean(axis=0) - second.mean(axis=0)) < 0.15 * spread), (
            name
        )
        assert np.allclose(spread, second.std(axis=0), rtol=0.15), name


def test_an_end_of_the_scale_does_not_flatten_the_effects():
    """Truth runs beyond the top: the stepwise posterior sees it, the plain one less."""
    rng = np.random.default_rng(9)
    load = np.repeat(np.arange(10), 5)
    X = np.column_stack([np.linspace(-1, 1, 10)[load], rng.choice([-1.0, 1.0], 50)])
    score = np.clip(np.round(9 + X @ [4.0, 0.0] + rng.normal(size=50)), 0, 10)
    assert reaches_an_end(TEN, score)
    priors = clarity_priors(TEN, PriorSpecification(), COLUMNS)
    plain = draw_clarity(
        score_sums(scored(score, X, load), priors), priors, n_draws=1000, rng=rng
    ).draws.coefficients[:, 0]
    stepwise = draw_graded(
        graded_scores(scored(score, X, load), TEN, priors), n_draws=1000, rng=rng
    ).draws.coefficients[:, 0]
    assert np.quantile(plain, 0.99) < 4.0
    assert np.quantile(stepwise, 0.05) < 4.0 < np.quantile(stepwise, 0.95)


def test_intervals_hold_truths_drawn_from_the_priors(scale=FIVE, series=40):
    """90 % intervals over 40 series of 9 scores that the ends of the scale cut off.

    Each share lies within the central 99.8 % of a binomial at 0.9.
    """
    rng = np.random.default_rng(31)
    priors = clarity_priors(scale, PriorSpecification(), COLUMNS)
    load = np.repeat(np.arange(3), 3)
    held = np.zeros(5)
    for _ in range(series):
        X = np.column_stack([np.array([-1.0, 0, 1.0])[load], rng.choice([-1.0, 1.0], 9)])
        beta = rng.normal(priors.mean, priors.sd)
        sds = np.abs(rng.normal(size=2)) * [priors.load_scale, priors.residual_scale]
        latent = np.column_stack([np.ones(9), X]) @ beta + sds[0] * rng.normal(size=3)[load]
        score = np.clip(
            np.round(latent + sds[1] * rng.normal(size=9)), scale.low, scale.high
        )
        draws = draw_graded(
            graded_scores(scored(score, X, load), scale, priors),
            n_draws=400,
            rng=rng,
        ).draws
        drawn = np.column_stack(
            [draws.intercept, draws.coefficients, draws.load_sd, draws.residual_sd]
        )
        low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
        truth = np.append(beta, sds)
        held += (low <= truth) & (truth <= high)
    fewest, most = binom.ppf([0.001, 0.999], series, 0.9)
    assert (held >= fewest).all() and (held <= most).all(), held / series
