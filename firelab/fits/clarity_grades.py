"""Clarity where the score has few grades: ordered, not measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from firelab.errors import RecordsInsufficient
from firelab.fits.clarity_columns import ScoreColumns
from firelab.fits.clarity_least_squares import COEFFICIENT_COLUMNS
from firelab.fits.clarity_regression import NONE, ORDINAL, ClarityRegression
from firelab.fits.cumulative_link import fit_cumulative_link
from firelab.fits.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ratio_tests import drop_each_term
from firelab.series.firing_series import TransparencyResponse

FloatArray = NDArray[np.float64]

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


def regress_grades(scores: ScoreColumns) -> ClarityRegression:
    """Fit scores as ordered grades, with a load effect where loads can tell one.

    Returns
    -------
    ClarityRegression
        Method ``ordinal``: estimates in logits of a clearer or less clear
        grade by the direction of the score, and likelihood-ratio tests; or
        ``none`` where one score only was seen.
    """
    seen, grade = np.unique(np.round(scores.score, 6), return_inverse=True)
    has_loads = 1 < scores.n_loads < len(scores.score)
    groups = scores.load if has_loads else None
    shown, labels = [f"{one:g}" for one in seen], scores.labels
    try:
        fit = fit_cumulative_link(
            grade, scores.told, groups=groups, grades=shown, names=(labels, None, None)
        )
        tests = drop_each_term(
            grade, scores.told, scores.whole_terms(), groups=groups, grades=shown
        )
    except RecordsInsufficient as fault:
        return ClarityRegression(method=NONE, aliased=scores.aliased, notes=(fault.what,))
    notes = (
        "few scores were seen: they are tested as ordered grades, in logits",
        *fit.notes,
    )
    if not has_loads:
        notes += ("no load effect in the table: these loads cannot tell one",)
    rows = [(one.term, one.statistic, one.df, one.p_value) for one in tests]
    return ClarityRegression(
        method=ORDINAL,
        aliased=scores.aliased,
        notes=notes,
        coefficients=_coefficients(fit, labels),
        terms=pd.DataFrame(rows, columns=RATIO_COLUMNS),
        condition=float(fit.convergence.condition_number),
    )


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
