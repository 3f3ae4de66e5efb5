"""Tests of one term at a time: dropped, freed from cut to cut, or widening the scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from firelab.fits.ordinal.cumulative_link import describe_task
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.fit_choices import FitChoices

FloatArray = NDArray[np.float64]
TermColumns = Mapping[str, Sequence[int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TermTest:
    """A chi-squared test of one term.

    Attributes
    ----------
    term : str
    statistic : float
    df : int
    p_value : float
    """

    term: str
    statistic: float
    df: int
    p_value: float


def _ratio(term: str, full: tuple[float, int], reduced: tuple[float, int]) -> TermTest:
    statistic = max(2.0 * (full[0] - reduced[0]), 0.0)
    df = full[1] - reduced[1]
    p_value = float(chdtrc(df, statistic)) if df else 1.0
    return TermTest(term=term, statistic=statistic, df=df, p_value=p_value)


def drop_each_term(
    y: ArrayLike, X: ArrayLike, terms: TermColumns, **choices: Unpack[FitChoices]
) -> tuple[TermTest, ...]:
    """Return the likelihood-ratio test of each term against the fit without it.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p)
    terms : mapping of str to sequence of int
        Places of each term's columns in `X`.
    **choices : FitChoices
        As `fit_cumulative_link` takes them.
    """
    columns = np.asarray(X, dtype=float)
    full = describe_task(y, columns, **choices).supremum()
    tests = []
    for term, places in terms.items():
        rest = np.delete(columns, list(places), axis=1)
        without = FitChoices(**choices)
        without["names"] = (None, *choices.get("names", (None, None, None))[1:])
        reduced = describe_task(y, rest, **without).supremum()
        tests.append(_ratio(term, full, reduced))
    return tuple(tests)


def free_each_term(
    y: ArrayLike, X: ArrayLike, terms: TermColumns, **choices: Unpack[FitChoices]
) -> tuple[TermTest, ...]:
    """Return the test of proportional odds for each term, the same effect at every cut.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p)
    terms : mapping of str to sequence of int
        Places of each term's columns in `X`.
    **choices : FitChoices
        As `fit_cumulative_link` takes them; no `nominal`.
    """
    columns = np.asarray(X, dtype=float)
    reduced = describe_task(y, columns, **choices).supremum()
    tests = []
    for term, places in terms.items():
        freed = FitChoices(**choices)
        freed["nominal"] = columns[:, list(places)]
        freed["names"] = (None, None, None)
        rest = np.delete(columns, list(places), axis=1)
        tests.append(_ratio(term, describe_task(y, rest, **freed).supremum(), reduced))
    return tuple(tests)


def widen_by_each_term(
    y: ArrayLike, X: ArrayLike, terms: TermColumns, **choices: Unpack[FitChoices]
) -> tuple[TermTest, ...]:
    """Return the test of each term's effect on the scatter.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p)
    terms : mapping of str to sequence of int
        Places of each term's columns in `X`.
    **choices : FitChoices
        As `fit_cumulative_link` takes them; no `scale`, no load effects.
    """
    columns = np.asarray(X, dtype=float)
    reduced = describe_task(y, columns, **choices).supremum()
    tests = []
    for term, places in terms.items():
        widened = FitChoices(**choices)
        widened["scale"] = columns[:, list(places)]
        widened["names"] = (None, None, None)
        tests.append(_ratio(term, describe_task(y, columns, **widened).supremum(), reduced))
    return tuple(tests)


def wald_of_terms(fit: CumulativeLinkFit, terms: TermColumns) -> tuple[TermTest, ...]:
    """Return the Wald test of each term's coefficients.

    Parameters
    ----------
    fit : CumulativeLinkFit
    terms : mapping of str to sequence of int
        Places among `fit.coefficients`.
    """
    first = fit.design.n_spacing + fit.design.n_nominal
    covariance = fit.covariance
    tests = []
    for term, places in terms.items():
        at = first + np.asarray(list(places), dtype=int)
        effect = fit.estimates[at]
        statistic = float(effect @ np.linalg.solve(covariance[np.ix_(at, at)], effect))
        p_value = float(chdtrc(len(at), statistic))
        tests.append(TermTest(term=term, statistic=statistic, df=len(at), p_value=p_value))
    return tuple(tests)


def compare_nested(full: CumulativeLinkFit, reduced: CumulativeLinkFit) -> TermTest:
    """Return the likelihood-ratio test of two nested maximum-likelihood fits.

    Where they differ by one standard deviation only, its estimate is at its
    bound under the reduced model, and the p value is half as large (Self and
    Liang 1987).
    """
    test = _ratio(
        "all that differs",
        (full.log_likelihood, full.n_parameters),
        (reduced.log_likelihood, reduced.n_parameters),
    )
    if full.n_effects - reduced.n_effects == 1 and test.df == 1:
        halved = TermTest(
            term=full.effect_names[-1],
            statistic=test.statistic,
            df=1,
            p_value=0.5 * test.p_value if test.statistic > 0.0 else 1.0,
        )
        return halved
    return test
