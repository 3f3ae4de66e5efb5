"""Clarity where the score has few grades: ordered, not measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from firelab.errors import RecordsInsufficient
from firelab.fits.clarity_least_squares import COEFFICIENT_COLUMNS
from firelab.fits.clarity_regression import ClarityRegression, told_columns
from firelab.fits.cumulative_link import fit_cumulative_link
from firelab.fits.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ratio_tests import drop_each_term
from firelab.series.firing_series import TransparencyResponse

FloatArray = NDArray[np.float64]

ORDINAL = "ordinal"
FEWEST_SCORES = 5
_AT_END = 0.25
RATIO_COLUMNS = ["term", "chi_squared", "df", "p_value"]


def has_few_grades(scale: TransparencyResponse, score: FloatArray) -> bool:
    """Tell whether a score is to be read as grades.

    It is where the scale has five grades or fewer, or where fewer than five
    different scores were seen on it.

    Examples
    --------
    >>> has_few_grades(TransparencyResponse(low=0, high=4, target=3), np.arange(5.0))
    True
    """
    grades = round((scale.high - scale.low) / scale.step) + 1
    return grades <= FEWEST_SCORES or 0 < len(np.unique(score)) < FEWEST_SCORES


def reaches_an_end(scale: TransparencyResponse, score: FloatArray) -> bool:
    """Tell whether a quarter or more of the scores are at an end of the scale."""
    return bool(score.size) and bool(
        np.isin(score, [scale.low, scale.high]).mean() >= _AT_END
    )


def regress_grades(
    score: FloatArray,
    X: FloatArray,
    load: NDArray[np.int64],
    names: Sequence[str],
    owners: Sequence[str],
) -> ClarityRegression:
    """Fit scores as ordered grades, with a load effect where loads can tell one.

    Parameters
    ----------
    score : ndarray, shape (n,)
    X : ndarray, shape (n, 1 + p)
        The intercept's column of ones, then the coded columns.
    load : ndarray of int, shape (n,)
    names, owners : sequence of str, 1 + p of them
        Each column's name and the term it belongs to.

    Returns
    -------
    ClarityRegression
        Method ``ordinal``: estimates in logits of a clearer or less clear
        grade by the direction of the score, and likelihood-ratio tests; or
        ``none`` where one score only was seen.
    """
    kept = told_columns(X)
    aliased = tuple(name for place, name in enumerate(names) if place not in kept)
    inside = [place for place in kept if place > 0]
    told, labels = X[:, inside], [names[place] for place in inside]
    grade = np.unique(np.round(score, 6), return_inverse=True)[1]
    n_loads = len(np.unique(load))
    groups = load if 1 < n_loads < len(score) else None
    shown = [f"{one:g}" for one in np.unique(np.round(score, 6))]
    whole = _whole_terms(owners, kept, inside)
    try:
        fit = fit_cumulative_link(
            grade, told, groups=groups, grades=shown, names=(labels, None, None)
        )
        tests = drop_each_term(grade, told, whole, groups=groups, grades=shown)
    except RecordsInsufficient as fault:
        return _nothing(aliased, fault.what)
    notes = (
        "few scores were seen: they are tested as ordered grades, in logits",
        *fit.notes,
    )
    if groups is None:
        notes += ("no load effect in the table: these loads cannot tell one",)
    return ClarityRegression(
        method=ORDINAL,
        coefficients=_coefficients(fit, labels),
        terms=pd.DataFrame(
            [(one.term, one.statistic, one.df, one.p_value) for one in tests],
            columns=RATIO_COLUMNS,
        ),
        sds={},
        aliased=aliased,
        condition=float(fit.convergence.condition_number),
        mixed=None,
        notes=notes,
    )


def _whole_terms(
    owners: Sequence[str], kept: Sequence[int], inside: Sequence[int]
) -> Mapping[str, list[int]]:
    terms = {}
    for term in dict.fromkeys(owners[1:]):
        own = [place for place, owner in enumerate(owners) if owner == term]
        if all(place in kept for place in own):
            terms[term] = [inside.index(place) for place in own]
    return terms


def _coefficients(fit: CumulativeLinkFit, labels: Sequence[str]) -> pd.DataFrame:
    places = [fit.place(label) for label in labels]
    estimate, error = fit.estimates[places], fit.standard_errors[places]
    z = estimate / error
    return pd.DataFrame(
        dict(
            zip(
                COEFFICIENT_COLUMNS,
                (list(labels), estimate, error, np.inf, z, 2 * ndtr(-np.abs(z))),
                strict=True,
            )
        )
    )


def _nothing(aliased: tuple[str, ...], why: str) -> ClarityRegression:
    return ClarityRegression(
        method="none",
        coefficients=pd.DataFrame(columns=COEFFICIENT_COLUMNS),
        terms=pd.DataFrame(columns=RATIO_COLUMNS),
        sds={},
        aliased=aliased,
        condition=None,
        mixed=None,
        notes=(why,),
    )
