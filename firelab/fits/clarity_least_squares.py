"""Ordinary least squares through statsmodels, as a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr

FloatArray = NDArray[np.float64]

COEFFICIENT_COLUMNS = ["column", "estimate", "standard_error", "df", "t", "p_value"]
TERM_COLUMNS = ["term", "F", "df_numerator", "df_denominator", "p_value"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeastSquares:
    """A least-squares fit with its tests.

    Attributes
    ----------
    coefficients : DataFrame
        Columns `COEFFICIENT_COLUMNS`.
    terms : DataFrame
        Columns `TERM_COLUMNS`.
    residual_sd : float
    """

    coefficients: pd.DataFrame
    terms: pd.DataFrame
    residual_sd: float


def least_squares(
    y: FloatArray, X: FloatArray, names: Sequence[str], terms: Mapping[str, Sequence[int]]
) -> LeastSquares:
    """Fit by ordinary least squares.

    Where the first column is an intercept, a whole number near the mean is
    taken off the response before and given back after: digits that all rows
    share then cost none of the others.

    Parameters
    ----------
    y, X : ndarray, shapes (n,) and (n, p)
        n larger than p, X of full column rank.
    names : sequence of str
        Of the p columns.
    terms : mapping of str to sequence of int
        Columns of each term to be tested.

    Examples
    --------
    >>> fit = least_squares(
    ...     np.array([1.0, 3, 3, 5]), np.column_stack([np.ones(4), [0.0, 1, 2, 3]]),
    ...     ["a", "b"], {"b": [1]})
    >>> fit.coefficients["estimate"].round(6).tolist(), round(fit.residual_sd, 6)
    ([1.2, 1.2], 0.632456)
    """
    import statsmodels.api as sm

    p = X.shape[1]
    taken = float(np.round(y.mean())) if (X[:, 0] == 1.0).all() else 0.0
    fit = sm.OLS(y - taken, X).fit()
    estimate, errors = np.array(fit.params), np.asarray(fit.bse)
    estimate[0] += taken
    df = float(fit.df_resid)
    t = estimate / errors
    coefficients = pd.DataFrame(
        dict(
            zip(
                COEFFICIENT_COLUMNS,
                (list(names), estimate, errors, df, t, 2 * stdtr(df, -np.abs(t))),
                strict=True,
            )
        )
    )
    rows = []
    for term, columns in terms.items():
        F = float(fit.f_test(np.eye(p)[list(columns)]).fvalue)
        k = float(len(columns))
        rows.append((term, F, k, df, float(fdtrc(k, df, F))))
    return LeastSquares(
        coefficients=coefficients,
        terms=pd.DataFrame(rows, columns=TERM_COLUMNS),
        residual_sd=float(np.sqrt(fit.mse_resid)),
    )
