"""The classical side of a clarity fit: which method the tiles support, and its table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient
from firelab.fits.clarity_least_squares import (
    COEFFICIENT_COLUMNS,
    TERM_COLUMNS,
    least_squares,
)
from firelab.fits.mixed_regression import MixedRegression, fit_mixed
from firelab.fits.mixed_regression_degrees import coefficient_table, term_table

FloatArray = NDArray[np.float64]

REML, OLS, NONE = "reml", "ols", "none"
METHOD_WORDS = {
    REML: "restricted maximum likelihood with a load effect, "
    "degrees of freedom by Kenward and Roger",
    OLS: "ordinary least squares without a load effect",
    "ordinal": "cumulative logit of the scores as ordered grades",
    NONE: "no classical fit",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityRegression:
    """What the scores say without priors.

    Attributes
    ----------
    method : {'reml', 'ols', 'ordinal', 'none'}
    coefficients : DataFrame
        column, estimate, standard_error, df, t, p_value; one row per column
        that the tiles can tell, intercept first.
    terms : DataFrame
        term, F, df_numerator, df_denominator, p_value (term, chi_squared, df,
        p_value where the method is ordinal); of the terms whose columns can
        all be told.
    sds : mapping of str to float
        ``load`` and ``residual``, as far as estimated.
    aliased : tuple of str
        Columns that these tiles cannot tell from the ones before them.
    condition : float or None
        Condition number of the columns that can be told, scaled to one length.
    mixed : MixedRegression or None
    notes : tuple of str
        Why the method is not the one hoped for.
    """

    method: str
    coefficients: pd.DataFrame
    terms: pd.DataFrame
    sds: dict[str, float]
    aliased: tuple[str, ...]
    condition: float | None
    mixed: MixedRegression | None
    notes: tuple[str, ...]


def told_columns(X: FloatArray) -> list[int]:
    """Return the columns that add something to those before them.

    Parameters
    ----------
    X : ndarray, shape (n, p)

    Examples
    --------
    >>> told_columns(np.array([[1.0, 1, 0], [1, 1, 1], [1, 1, 2]]))
    [0, 2]
    """
    kept: list[int] = []
    basis = np.empty((len(X), 0))
    for place, column in enumerate(X.T):
        length = np.linalg.norm(column)
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if length > 0 and size > 1e-8 * length:
            kept.append(place)
            basis = np.column_stack([basis, rest / size])
    return kept


def regress_clarity(
    score: FloatArray,
    X: FloatArray,
    load: NDArray[np.int64],
    names: Sequence[str],
    owners: Sequence[str],
) -> ClarityRegression:
    """Fit scores by the best classical method that the tiles support.

    Parameters
    ----------
    score : ndarray, shape (n,)
    X : ndarray, shape (n, 1 + p)
        The intercept's column of ones, then the coded columns.
    load : ndarray of int, shape (n,)
    names, owners : sequence of str, 1 + p of them
        Each column's name and the term it belongs to.
    """
    kept = told_columns(X)
    aliased = tuple(name for place, name in enumerate(names) if place not in kept)
    told, labels = X[:, kept], [names[place] for place in kept]
    whole = [term for term in dict.fromkeys(owners[1:]) if _is_whole(term, owners, kept)]
    owned = {term: [i for i, k in enumerate(kept) if owners[k] == term] for term in whole}
    try:
        mixed = fit_mixed(score, told, [load])
    except RecordsInsufficient as fault:
        return _without_loads(score, told, labels, owned, aliased, fault.what)
    return ClarityRegression(
        method=REML,
        coefficients=coefficient_table(mixed, labels),
        terms=term_table(mixed, owned),
        sds={
            "load": float(np.sqrt(mixed.variances[0])),
            "residual": float(np.sqrt(mixed.variances[1])),
        },
        aliased=aliased,
        condition=_condition(told),
        mixed=mixed,
        notes=(),
    )


def _is_whole(term: str, owners: Sequence[str], kept: Sequence[int]) -> bool:
    return all(place in kept for place, owner in enumerate(owners) if owner == term)


def _without_loads(
    score: FloatArray,
    X: FloatArray,
    labels: list[str],
    owned: dict[str, list[int]],
    aliased: tuple[str, ...],
    reason: str,
) -> ClarityRegression:
    n, p = X.shape
    if n <= p or _is_exact(score, X):
        why = f"{n} scored tiles leave nothing to judge {p} coefficients by"
        return _no_fit(X, aliased, why)
    fit = least_squares(score, X, labels, owned)
    return ClarityRegression(
        method=OLS,
        coefficients=fit.coefficients,
        terms=fit.terms,
        sds={"residual": fit.residual_sd},
        aliased=aliased,
        condition=_condition(X),
        mixed=None,
        notes=(
            f"no load effect in the table: {reason}; its errors may be too small "
            "for what changes between loads only",
        ),
    )


def _no_fit(X: FloatArray, aliased: tuple[str, ...], why: str) -> ClarityRegression:
    return ClarityRegression(
        method=NONE,
        coefficients=pd.DataFrame(columns=COEFFICIENT_COLUMNS),
        terms=pd.DataFrame(columns=TERM_COLUMNS),
        sds={},
        aliased=aliased,
        condition=_condition(X),
        mixed=None,
        notes=(why,),
    )


def _is_exact(score: FloatArray, X: FloatArray) -> bool:
    residual = score - X @ np.linalg.lstsq(X, score, rcond=None)[0]
    return bool(np.linalg.norm(residual) <= 1e-10 * max(1.0, float(np.linalg.norm(score))))


def _condition(X: FloatArray) -> float | None:
    return float(np.linalg.cond(X / np.linalg.norm(X, axis=0))) if X.size else None
