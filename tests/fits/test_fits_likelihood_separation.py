"""Separation, empty grades and aliased columns: found, named, answered."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.cumulative_link import PENALTY_SD, fit_cumulative_link
from firelab.fits.ordinal.look_table import NotEstimable
from firelab.fits.ordinal.separation import Separated

GRADES = ("sugar", "orange peel", "full", "over")


def test_a_column_that_separates_alone_is_told_from_the_others() -> None:
    rng = np.random.default_rng(3)
    hot = np.repeat([0.0, 1.0], 20)
    other = rng.normal(size=40)
    y = np.where(hot > 0, rng.integers(2, 4, 40), rng.integers(0, 3, 40))
    fit = fit_cumulative_link(
        y,
        np.column_stack([other, hot]),
        grades=GRADES,
        names=("dwell", "hot"),
    )
    assert fit.separation is not None
    assert [one.column for one in fit.separation.partings] == ["hot"]
    (parting,) = fit.separation.partings
    assert parting.alone
    assert parting.upwards
    assert (
        fit.notes[0]
        == "hot separates the grades: no look above full at 0, none below full at 1"
    )


def test_columns_that_separate_only_together_are_all_named() -> None:
    rng = np.random.default_rng(5)
    X = rng.normal(size=(40, 2))
    y = (X @ [1.0, 1.0] > 0).astype(int)
    fit = fit_cumulative_link(y, X, names=("temperature", "dwell"))
    assert fit.separation is not None
    assert fit.separation.columns == ("temperature", "dwell")
    assert not any(one.alone for one in fit.separation.partings)
    assert np.all(fit.coefficients > 0)
    assert np.max(np.abs(fit.coefficients)) < 20


def test_separation_beside_loads_leaves_the_load_effect_out_and_says_so() -> None:
    hot = np.repeat([0.0, 1.0], 16)
    y = np.where(hot > 0, 1, 0)
    fit = fit_cumulative_link(y, hot, groups=np.arange(32) // 4)
    assert fit.estimator == "penalised"
    assert not fit.has_effect
    assert fit.effect_sd == 0.0
    assert fit.notes[-1] == "no load effect was fitted"
    with pytest.raises(Separated, match="x1 separates the grades"):
        fit_cumulative_link(y, hot, groups=np.arange(32) // 4, estimator="ml")


def test_loads_of_one_grade_each_have_no_finite_effect() -> None:
    y = np.array([0, 1, 2, 1, 0, 2, 1, 2]).repeat(4)
    load = np.arange(8).repeat(4)
    X = np.random.default_rng(1).normal(size=32)
    fit = fit_cumulative_link(y, X, groups=load)
    assert not fit.has_effect
    assert (
        "its likelihood has no maximum, as where each load carries one grade"
        in fit.notes[0]
    )


@pytest.mark.parametrize("scale", [(0, 2, 3), (0, 1, 2), (1, 2, 3)])
def test_an_unseen_grade_is_left_out_and_named(scale) -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(size=60)
    y = np.searchsorted([0.0, 1.0], x + rng.logistic(size=60))
    fit = fit_cumulative_link(np.array(scale)[y], x, n_grades=4, grades=GRADES)
    plain = fit_cumulative_link(y, x)
    (missing,) = set(GRADES) - {GRADES[place] for place in scale}
    assert fit.grades == tuple(GRADES[place] for place in scale)
    assert fit.unseen == (missing,)
    assert fit.notes == (f"no look is graded {missing}; {missing} left out of the scale",)
    np.testing.assert_allclose(fit.estimates, plain.estimates, rtol=1e-10)


def test_a_penalised_fit_is_the_mode_that_scipy_finds() -> None:
    # One look shared by all grades at the mean of the columns, and a normal penalty.
    rng = np.random.default_rng(8)
    x = rng.uniform(-2.0, 2.0, 24)
    y = np.searchsorted([-0.5, 0.7], x)
    fit = fit_cumulative_link(y, x)
    assert fit.estimator == "penalised"
    slope = PENALTY_SD / np.abs(x).max()

    def minus(point):
        cuts = np.concatenate([[-np.inf], point[:2], [np.inf]])
        law = stats.logistic
        looks = law.cdf(cuts[y + 1] - point[2] * x) - law.cdf(cuts[y] - point[2] * x)
        shared = np.diff(law.cdf(cuts - point[2] * x.mean()))
        penalty = 0.5 * (point[2] / slope) ** 2
        return penalty - np.log(looks).sum() - np.log(shared).mean()

    found = optimize.minimize(
        minus,
        [-1.0, 1.0, 2.0],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
    )
    np.testing.assert_allclose(fit.estimates, found.x, rtol=1e-5)


def test_aliased_and_constant_columns_are_named() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=30), rng.normal(size=30)
    X = np.column_stack([a, b, a - 2 * b, np.ones(30)])
    y = rng.integers(0, 3, 30)
    names = ("temperature", "dwell", "mesh", "layers")
    with pytest.raises(NotEstimable) as fault:
        fit_cumulative_link(y, X, names=names)
    assert fault.value.aliased == ("mesh", "layers")
    assert str(fault.value) == (
        "these looks cannot tell mesh or layers from the other terms\n"
        "  hint: leave it out, or fire tiles in which it changes while the others stay"
    )
    assert fault.value.exit_code == 3


def test_one_grade_alone_is_refused() -> None:
    with pytest.raises(
        RecordsInsufficient, match="every look is graded full: nothing to fit"
    ):
        fit_cumulative_link([2, 2, 2], [1.0, 2.0, 3.0], n_grades=4, grades=GRADES)
    with pytest.raises(RecordsInsufficient, match="there are no grades to fit"):
        fit_cumulative_link([], [])


@pytest.mark.parametrize(
    ("choices", "message"),
    [
        ({"X": [1.0, 2.0]}, r"X has shape \(2, 1\), but there are 3 grades"),
        ({"X": [1.0, np.nan, 2.0]}, "X is not a number in row 1"),
        ({"weights": [1.0, -1.0, 1.0]}, "a weight is below 0"),
        ({"n_grades": 2}, "grade 2 is outside 0 to 1"),
        ({"group": [0, 0, 1]}, "group is no choice of a fit"),
        ({"link": "log"}, "there is no link 'log'"),
        ({"estimator": "best"}, "there is no estimator 'best'"),
        ({"groups": [0, 0, 1], "n_quadrature": 0}, "0 quadrature nodes"),
        ({"names": ("a", "b")}, "2 names for 1 columns"),
    ],
)
def test_what_cannot_be_asked(choices, message) -> None:
    given = {"y": [0, 1, 2], "X": [1.0, 2.0, 4.0], **choices}
    with pytest.raises(UsageError, match=message):
        fit_cumulative_link(**given)


def test_grades_must_be_whole() -> None:
    with pytest.raises(UsageError, match="grades are not whole numbers"):
        fit_cumulative_link([0.0, 0.5, 1.0])
