"""Links against scipy.stats, and against 60-digit arithmetic in the tails (mpmath)."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from scipy import stats

from firelab.errors import UsageError
from firelab.fits.ordinal.links import LINKS, interval_terms, link_named

REFERENCE = {
    "logit": stats.logistic,
    "probit": stats.norm,
    "cloglog": stats.gumbel_l,
    "loglog": stats.gumbel_r,
}
POINTS = np.array([-20.0, -7.5, -2.0, -0.3, 0.0, 0.4, 1.9, 3.0])


@pytest.mark.parametrize("name", LINKS)
def test_link_is_the_distribution_of_scipy(name: str) -> None:
    link, other = LINKS[name], REFERENCE[name]
    np.testing.assert_allclose(link.cdf(POINTS), other.cdf(POINTS), rtol=1e-12)
    np.testing.assert_allclose(link.survival(POINTS), other.sf(POINTS), rtol=1e-12)
    np.testing.assert_allclose(
        link.log_cdf(POINTS), other.logcdf(POINTS), rtol=1e-11, atol=1e-16
    )
    np.testing.assert_allclose(link.log_survival(POINTS), other.logsf(POINTS), rtol=1e-11)
    np.testing.assert_allclose(np.exp(link.log_pdf(POINTS)), other.pdf(POINTS), rtol=1e-11)
    chances = np.array([1e-9, 0.02, 0.5, 0.77, 0.999])
    np.testing.assert_allclose(
        link.quantile(chances), other.ppf(chances), rtol=1e-7, atol=1e-9
    )


@pytest.mark.parametrize("name", LINKS)
def test_derivatives_of_the_density_agree_with_differences(name: str) -> None:
    link = LINKS[name]
    x, step = np.linspace(-3.0, 2.5, 23), 1e-5

    def pdf(x):
        return np.exp(link.log_pdf(x))

    def pdf_slope(x):
        return pdf(x) * link.slope_ratio(x)

    slope = (pdf(x + step) - pdf(x - step)) / (2 * step)
    np.testing.assert_allclose(pdf_slope(x), slope, atol=1e-9)
    curvature = (pdf_slope(x + step) - pdf_slope(x - step)) / (2 * step)
    np.testing.assert_allclose(pdf(x) * link.curvature_ratio(x), curvature, atol=1e-9)


def test_loglog_is_cloglog_on_a_scale_turned_round() -> None:
    link, mirror = LINKS["cloglog"], LINKS["loglog"]
    np.testing.assert_allclose(mirror.cdf(POINTS), link.survival(-POINTS), rtol=1e-13)
    np.testing.assert_allclose(
        mirror.slope_ratio(POINTS), -link.slope_ratio(-POINTS), rtol=1e-12
    )


@pytest.mark.parametrize("name", LINKS)
def test_infinite_ends_carry_no_density(name: str) -> None:
    link, ends = LINKS[name], np.array([-np.inf, np.inf])
    assert link.cdf(ends).tolist() == [0.0, 1.0]
    assert np.exp(link.log_pdf(ends)).tolist() == [0.0, 0.0]
    assert float(link.log_interval(-np.inf, np.inf)) == pytest.approx(0.0, abs=1e-15)


def _with_mpmath(name: str, lower: float, upper: float) -> float:
    mp = mpmath.mp
    mp.dps = 800
    cdf = {
        "logit": lambda x: 1 / (1 + mp.exp(-x)),
        "probit": lambda x: mp.erfc(-x / mp.sqrt(2)) / 2,
        "cloglog": lambda x: 1 - mp.exp(-mp.exp(x)),
        "loglog": lambda x: mp.exp(-mp.exp(-x)),
        "cauchit": lambda x: mp.mpf(1) / 2 + mp.atan(x) / mp.pi,
    }[name]
    return float(mp.log(cdf(mp.mpf(upper)) - cdf(mp.mpf(lower))))


@pytest.mark.parametrize("name", LINKS)
@pytest.mark.parametrize(
    ("lower", "upper"),
    [(-38.0, -36.5), (3.0, 4.0), (-0.5, 0.7), (-5.0, 5.0), (1.0, 1.0 + 1e-7)],
)
def test_log_interval_is_exact_in_the_tails(name: str, lower: float, upper: float) -> None:
    got = float(LINKS[name].log_interval(lower, upper))
    assert got == pytest.approx(_with_mpmath(name, lower, upper), rel=2e-11, abs=2e-13)


@pytest.mark.parametrize("name", ["logit", "probit"])
def test_terms_of_an_interval_are_exact_where_nothing_is_left_of_its_chance(name) -> None:
    ends = [(714.25, 727.0), (-712.5, -711.9), (-np.inf, -720.0), (720.0, np.inf)]
    ends += [(-900.0, -700.0), (650.0, 651.0), (30.0, 30.5), (-np.inf, -1.0)]
    if name == "probit":
        ends = [(low / 20.0, high / 20.0) for low, high in ends]
    lower, upper = np.array(ends).T
    terms = interval_terms(LINKS[name], lower, upper, 2)
    with mpmath.workdps(800):
        for at, (low, high) in enumerate(ends):
            f = {
                "logit": lambda x: mpmath.exp(-x) / (1 + mpmath.exp(-x)) ** 2,
                "probit": mpmath.npdf,
            }[name]
            log_p = mpmath.mpf(_with_mpmath(name, low, high))
            assert float(terms.log_p[at]) == pytest.approx(float(log_p), rel=1e-11)
            for end, first, second in (
                (high, terms.upper[0][at], terms.upper[1][at]),
                (low, terms.lower[0][at], terms.lower[1][at]),
            ):
                density = f(mpmath.mpf(end)) if np.isfinite(end) else mpmath.mpf(0)
                wanted = float(density * mpmath.exp(-log_p))
                assert first == pytest.approx(wanted, rel=1e-9, abs=1e-12)
                ratio = float(LINKS[name].slope_ratio(np.array(end))) if wanted else 0.0
                assert second == pytest.approx(wanted * ratio, rel=1e-9, abs=1e-12)


def test_an_unknown_link_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match=r"there is no link 'log'") as fault:
        link_named("log")
    assert "logit, probit" in fault.value.hint
