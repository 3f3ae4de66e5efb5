"""Grades between two ends, slips and the half-normal score against scipy's laws."""

import numpy as np
import pytest
from scipy import stats

from firelab.fits.ordinal.likelihood import looks_with_slips
from firelab.fits.ordinal.links import LINKS, interval_terms
from firelab.fits.ordinal.priors import half_normal, latent_scale, latent_sd

LAWS = {
    "logit": stats.logistic,
    "probit": stats.norm,
    "cloglog": stats.gumbel_l,
    "loglog": stats.gumbel_r,
}


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


def test_the_half_normal_score_has_a_half_normal_law():
    score = np.random.default_rng(6).standard_normal(4000)
    found, slope = half_normal(score, 0.7)
    assert stats.kstest(found, stats.halfnorm(scale=0.7).cdf).pvalue > 0.01
    h = 1e-6
    steps = (half_normal(score + h, 0.7)[0] - half_normal(score - h, 0.7)[0]) / (2 * h)
    assert np.allclose(slope, steps, rtol=1e-4)


@pytest.mark.parametrize("link", LAWS)
def test_a_look_can_be_a_slip(link):
    # A mixture of the law and any of four grades; far in the tail only the slip is left.
    low, high = np.array([[-1.0, 0.3, 40.0]]), np.array([[0.5, np.inf, 41.0]])
    found = looks_with_slips(LINKS[link], low, high, np.array([0.1]), 4)
    law = LAWS[link]
    wanted = 0.9 * (law.cdf(high) - law.cdf(low)) + 0.025
    assert np.exp(found.log_p) == pytest.approx(wanted, rel=1e-9)
    assert found.no_slip == pytest.approx(1 - 0.025 / wanted, abs=1e-12)
    assert found.no_slip[0, 2] < 1e-6
    h = 1e-6

    def at(e, shift=0.0):
        moved = low + shift, high + shift
        return looks_with_slips(LINKS[link], *moved, np.array([e]), 4)

    slope = (at(0.1 + h).log_p - at(0.1 - h).log_p) / (2 * h)
    assert found.by_slip == pytest.approx(slope, rel=1e-6)
    slope = (at(0.1, h).log_p - at(0.1, -h).log_p) / (2 * h)
    assert found.by_lower + found.by_upper == pytest.approx(slope, rel=1e-5, abs=1e-8)
    ahead, behind = at(0.1, h), at(0.1, -h)
    bend = (ahead.by_lower + ahead.by_upper - behind.by_lower - behind.by_upper) / (2 * h)
    assert found.bend == pytest.approx(bend, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("link", LAWS)
def test_a_latent_unit_is_measured_by_the_deviation_of_the_law(link):
    assert latent_sd(link) == pytest.approx(LAWS[link].std())
    assert latent_scale(link) == pytest.approx(LAWS[link].std() / stats.logistic.std())
