"""Likelihood-ratio tests: a term dropped, freed from threshold to threshold, an effect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from firelab.fits.ordinal.cumulative_link import FitChoices, supremum
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit

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
    full = supremum(y, columns, **choices)
    tests = []
    for term, places in terms.items():
        rest = np.delete(columns, list(places), axis=1)
        without = FitChoices(**choices)
        without["names"] = None
        reduced = supremum(y, rest, **without)
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
    reduced = supremum(y, columns, **choices)
    tests = []
    for term, places in terms.items():
        freed = FitChoices(**choices)
        freed["nominal"] = columns[:, list(places)]
        freed["names"] = None
        rest = np.delete(columns, list(places), axis=1)
        tests.append(_ratio(term, supremum(y, rest, **freed), reduced))
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
    if full.has_effect and not reduced.has_effect and test.df == 1:
        p_value = 0.5 * test.p_value if test.statistic > 0.0 else 1.0
        return replace(test, term=full.group_name, p_value=p_value)
    return test
