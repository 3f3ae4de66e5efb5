"""Draws of the stage posterior: importance, chains and brute force say the same."""

import numpy as np
import pytest
from scipy import stats

from firelab.fits.ordinal.likelihood import even_nodes, grade_ends, grouped_looks
from firelab.fits.ordinal.links import LINKS
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.posterior_density import SharedLooks, StageDensity
from firelab.fits.sampling.chains import mixing, sample_by_chains
from firelab.fits.sampling.importance import (
    effective_size,
    fit_pareto_tail,
    log_multivariate_t,
    resample,
    smooth_weights,
)
from firelab.fits.sampling.nested import sample_nested
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Enamel, FiringSeries
from firelab.series.responses import Responses, StageResponse
from firelab.series.terms import DWELL, TEMPERATURE

GRADES = ("sugar", "orange peel", "full", "over")


def series_of(grades=GRADES):
    return FiringSeries(
        name="sampling",
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=(700.0, 800.0)),
            dwell=DwellFactor(levels=(90.0, 210.0)),
        ),
        responses=Responses(stage=StageResponse(grades=grades, target=(grades[-2],))),
    )


def invented(
    seed,
    grades=GRADES,
    columns=(TEMPERATURE, DWELL),
    n_loads=6,
    effects=("session", "load"),
    has_slips=True,
):
    rng = np.random.default_rng(seed)
    n, load = 4 * n_loads, np.repeat(np.arange(n_loads), 4)
    X = np.column_stack(
        [np.linspace(-1, 1, n_loads)[load], np.tile([-1, -0.3, 0.4, 1], n_loads)]
    )
    X = X[:, : len(columns)]
    latent = X @ [4.0, 1.4][: len(columns)] + 0.4 * rng.standard_normal(n_loads)[load]
    cuts = np.array([-2.4, -0.4, 2.4])[3 - len(grades) + 1 :]
    grade = (latent[:, None] + rng.logistic(size=(n, 1)) > cuts).sum(axis=1)
    labels = {"load": load, "tile": np.arange(n), "session": load // 3}
    looks = SharedLooks(grade=grade, X=X, labels=labels)
    series = series_of(grades)
    layout = parameterise(
        series, columns, link="logit", effects=effects, has_slips=has_slips
    )
    priors = make_priors(series, layout, link="logit")
    return StageDensity(looks=looks, layout=layout, priors=priors, link="logit"), rng


def by_quadrature(density, points):
    """The log posterior with the one effect, of loads, integrated on even nodes."""
    stage = density.layout.stage_parameters(points)
    ends = grade_ends(density.looks.grade, stage.thresholds, density.looks.latent(stage)[0])
    groups = Groups.of(density.looks.labels["load"])
    found = grouped_looks(LINKS["logit"], *ends, stage.sd, groups, even_nodes(4))
    return found.value + density.priors.log_density(points)


def test_nested_draws_have_the_moments_of_brute_force():
    # Two grades and one column leave three parameters: a grid holds them all.
    density, rng = invented(
        2, GRADES[:2], (TEMPERATURE,), effects=("load",), has_slips=False
    )
    start = density.priors.mean
    sample = sample_nested(density, start, density.n_scores, 4000, rng=rng)
    axes = [np.linspace(-2.5, 2.5, 61), np.linspace(-0.5, 3.5, 61), np.linspace(-4, 4, 41)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    logs = np.concatenate(
        [by_quadrature(density, part) for part in np.array_split(grid, 60)]
    )
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    mean = weight @ grid
    sd = np.sqrt(weight @ (grid - mean) ** 2)
    error = sd / np.sqrt(sample.effective_size)
    assert np.all(np.abs(sample.points.mean(axis=0) - mean) < 4.5 * error)
    assert np.allclose(sample.points.std(axis=0), sd, rtol=0.08)
    assert sample.pareto_k < 0.6


@pytest.mark.parametrize("seed", [0, 1])
def test_chains_agree_with_nested_importance(seed):
    density, rng = invented(seed)
    q, d = density.layout.n_parameters, density.n_scores
    sample = sample_nested(density, density.priors.mean, d, 4000, rng=rng)
    assert sample.pareto_k < 0.7
    assert sample.effective_size > 1000
    starts = np.hstack([sample.points, sample.scores])[:64]
    chains = sample_by_chains(density.log_density_and_gradient, starts, rng=rng)
    drawn = np.hstack([sample.points, sample.scores])
    sd = drawn.std(axis=0)
    error = sd * np.sqrt(1 / sample.effective_size + 1 / chains.effective_size)
    assert drawn.shape[1] == q + d
    assert np.all(np.abs(chains.flat.mean(axis=0) - drawn.mean(axis=0)) < 4.5 * error)
    assert np.allclose(chains.flat.std(axis=0), sd, rtol=0.15)
    assert chains.r_hat < 1.05


def test_chains_find_a_known_law():
    # A correlated normal and, in the last coordinate, a standard logistic.
    covariance = np.array([[1.0, 0.9], [0.9, 2.0]])
    precision = np.linalg.inv(covariance)

    def density(x):
        value = -0.5 * np.einsum("ca,ab,cb->c", x[:, :2], precision, x[:, :2])
        slope = np.hstack([-x[:, :2] @ precision, -np.tanh(x[:, 2:] / 2)])
        return value + stats.logistic.logpdf(x[:, 2]), slope

    rng = np.random.default_rng(3)
    found = sample_by_chains(density, 3 * rng.standard_normal((64, 3)), rng=rng)
    assert found.r_hat < 1.05
    assert np.allclose(np.cov(found.flat[:, :2], rowvar=False), covariance, rtol=0.15)
    assert found.flat[:, 2].std() == pytest.approx(np.pi / np.sqrt(3), rel=0.08)
    assert 0.6 < found.acceptance < 0.97


def test_mixing_tells_chains_that_disagree():
    rng = np.random.default_rng(4)
    points = rng.standard_normal((100, 20, 1))
    assert mixing(points)[0] < 1.02
    assert mixing(points)[1] > 1000
    stuck = points + np.where(np.arange(20) < 10, 0.0, 3.0)[None, :, None]
    assert mixing(stuck)[0] > 1.5


@pytest.mark.parametrize("shape", [-0.2, 0.2, 0.5, 0.9])
def test_the_tail_fit_finds_the_shape_of_scipys_pareto_law(shape):
    drawn = stats.genpareto(shape, scale=2.0).rvs(20_000, random_state=5)
    found, scale = fit_pareto_tail(drawn)
    assert found == pytest.approx(shape, abs=0.04)
    assert scale == pytest.approx(2.0, rel=0.05)


@pytest.mark.parametrize(("narrow", "low", "high"), [(1.1, 0.0, 0.35), (3.0, 0.6, 1.2)])
def test_pareto_k_is_that_of_a_known_proposal(narrow, low, high):
    # Exponential target rate 1, proposal rate r > 1: the ratios exp((r-1) x) have a
    # Pareto tail with shape (r - 1) / r (Vehtari et al. 2024, section 2).
    x = np.random.default_rng(6).exponential(1 / narrow, 10_000)
    k = smooth_weights((narrow - 1.0) * x)[1]
    assert low < k < high
    assert k == pytest.approx((narrow - 1) / narrow, abs=0.15)


PSIS = {
    (1.5, 100): (0.39643114871657387, 81.88190190725557, -3.2385186938095156),
    (1.5, 1000): (0.352286338880641, 781.6400325564495, -4.7788011777624115),
    (3.0, 100): (0.5872423982249392, 36.653100439082486, -2.1855670453318816),
    (3.0, 1000): (0.641017670862118, 172.73504365556585, -2.9660649363443117),
}
"""Pareto k, effective size and largest log weight of the ratios below, by
``array_stats.psislw(-log_ratios)`` of arviz-stats 0.8.0."""


@pytest.mark.parametrize(("narrow", "n"), PSIS)
def test_smoothed_weights_are_those_of_a_reference_library(narrow, n):
    ratios = (narrow - 1) * -np.log1p(-(np.arange(n) + 0.5) / n) / narrow
    logs, k = smooth_weights(ratios)
    assert (k, effective_size(logs), logs.max()) == pytest.approx(
        PSIS[narrow, n], rel=1e-10
    )


def test_smoothed_weights_keep_their_order_and_sum_to_one():
    logs = np.random.default_rng(7).standard_t(4, 4000)
    smoothed, _ = smooth_weights(logs)
    assert np.exp(smoothed).sum() == pytest.approx(1.0)
    order = np.argsort(logs)
    assert np.all(np.diff(smoothed[order]) >= -1e-9)


def test_the_density_of_a_multivariate_t_is_scipys():
    rng = np.random.default_rng(4)
    points, centre, scale = (
        rng.normal(size=(50, 4)),
        rng.normal(size=4),
        rng.normal(size=(4, 9)),
    )
    scale = scale @ scale.T
    own = log_multivariate_t(points, centre, np.linalg.cholesky(scale), 5.0)
    reference = stats.multivariate_t(centre, scale, df=5.0).logpdf(points)
    np.testing.assert_allclose(own, reference, rtol=1e-12)


def test_equal_weights_need_no_smoothing():
    smoothed, k = smooth_weights(np.zeros(500))
    assert k == -np.inf
    assert np.allclose(smoothed, -np.log(500))
    assert effective_size(smoothed) == pytest.approx(500)


def test_resampling_takes_each_place_as_its_weight_says():
    weights = np.array([0.5, 0.3, 0.15, 0.05])
    places = resample(np.log(weights), 1000, rng=np.random.default_rng(8))
    assert np.all(np.abs(np.bincount(places) - 1000 * weights) <= 1)
