"""The classical side of a clarity fit: which method the tiles support, and its table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient
from firelab.fits.clarity_columns import INTERCEPT, ScoreColumns
from firelab.fits.clarity_least_squares import (
    COEFFICIENT_COLUMNS,
    TERM_COLUMNS,
    least_squares,
)
from firelab.fits.mixed_regression import MixedRegression, fit_mixed
from firelab.fits.mixed_regression_degrees import coefficient_table, term_table

FloatArray = NDArray[np.float64]

REML, OLS, ORDINAL, NONE = "reml", "ols", "ordinal", "none"
METHOD_WORDS = {
    REML: "restricted maximum likelihood with a load effect, "
    "degrees of freedom by Kenward and Roger",
    OLS: "ordinary least squares without a load effect",
    ORDINAL: "cumulative logit of the scores as ordered grades",
    NONE: "no classical fit",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityRegression:
    """What the scores say without priors.

    Attributes
    ----------
    method : {'reml', 'ols', 'ordinal', 'none'}
    aliased : tuple of str
        Columns that these tiles cannot tell from the ones before them.
    notes : tuple of str
        Why the method is not the one hoped for.
    coefficients : DataFrame
        column, estimate, standard_error, df, t, p_value; one row per column
        that the tiles can tell, intercept first where there is one.
    terms : DataFrame
        term, F, df_numerator, df_denominator, p_value (term, chi_squared, df,
        p_value where the method is ordinal); of the terms whose columns can
        all be told.
    sds : mapping of str to float
        ``load`` and ``residual``, as far as estimated in units of the score.
    condition : float or None
        Condition number of the columns that can be told, scaled to one length.
    mixed : MixedRegression or None
    """

    method: str
    aliased: tuple[str, ...]
    notes: tuple[str, ...] = ()
    coefficients: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=COEFFICIENT_COLUMNS)
    )
    terms: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=TERM_COLUMNS))
    sds: Mapping[str, float] = field(default_factory=dict)
    condition: float | None = None
    mixed: MixedRegression | None = None


def regress_clarity(scores: ScoreColumns) -> ClarityRegression:
    """Fit scores by the best classical method for a measured score.

    Restricted maximum likelihood where loads can be told from the terms and
    from the tiles in them; else least squares, which says so; else nothing.
    """
    X = np.column_stack([np.ones(len(scores.score)), scores.told])
    labels = [INTERCEPT, *scores.labels]
    owned = scores.whole_terms(first=1)
    try:
        mixed = fit_mixed(scores.score, X, [scores.load])
    except RecordsInsufficient as fault:
        return _without_loads(scores, X, labels, owned, fault.what)
    return ClarityRegression(
        method=REML,
        aliased=scores.aliased,
        coefficients=coefficient_table(mixed, labels),
        terms=term_table(mixed, owned),
        sds={
            "load": float(np.sqrt(mixed.variances[0])),
            "residual": float(np.sqrt(mixed.variances[1])),
        },
        condition=_condition(X),
        mixed=mixed,
    )


def _without_loads(
    scores: ScoreColumns,
    X: FloatArray,
    labels: Sequence[str],
    owned: Mapping[str, Sequence[int]],
    reason: str,
) -> ClarityRegression:
    n, p = X.shape
    if n <= p or _is_exact(scores.score, X):
        return ClarityRegression(
            method=NONE,
            aliased=scores.aliased,
            notes=(f"{n} scored tiles leave nothing to judge {p} coefficients by",),
            condition=_condition(X),
        )
    fit = least_squares(scores.score, X, labels, owned)
    return ClarityRegression(
        method=OLS,
        aliased=scores.aliased,
        notes=(
            f"no load effect in the table: {reason}; its errors may be too small "
            "for what changes between loads only",
        ),
        coefficients=fit.coefficients,
        terms=fit.terms,
        sds={"residual": fit.residual_sd},
        condition=_condition(X),
    )


def _is_exact(score: FloatArray, X: FloatArray) -> bool:
    residual = score - X @ np.linalg.lstsq(X, score, rcond=None)[0]
    return bool(np.linalg.norm(residual) <= 1e-10 * max(1.0, float(np.linalg.norm(score))))


def _condition(X: FloatArray) -> float | None:
    return float(np.linalg.cond(X / np.linalg.norm(X, axis=0))) if X.size else None
