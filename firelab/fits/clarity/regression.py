"""The classical side of a clarity fit: scores, their estimable columns, REML or OLS.

Restricted maximum likelihood with a load effect where the loads can tell one, else
ordinary least squares through statsmodels, else nothing; each as a table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import fdtrc, stdtr

from firelab.arrays import FloatArray, IntArray
from firelab.errors import RecordsInsufficient
from firelab.fits.clarity.maturity import ClarityColumn
from firelab.fits.mixed.degrees import coefficient_table, term_table
from firelab.fits.mixed.regression import MixedRegression, fit_mixed
from firelab.fits.ordinal.look_table import estimable_places

INTERCEPT = "(intercept)"


@dataclass(frozen=True, kw_only=True, eq=False)
class ScoreColumns:
    """Scores of n tiles and the p columns of some terms.

    Attributes
    ----------
    score : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        Columns, without an intercept.
    load : ndarray of int, shape (n,)
        Numbered from 0.
    columns : tuple of ClarityColumn
    owners : tuple of str
        Name of each column, and the term it belongs to; p of them.
    """

    score: FloatArray
    X: FloatArray
    load: IntArray
    columns: tuple[ClarityColumn, ...]
    owners: tuple[str, ...]

    @property
    def n_loads(self) -> int:
        """Number of loads, G."""
        return int(self.load.max()) + 1 if self.load.size else 0

    @cached_property
    def estimable(self) -> list[int]:
        """Places of the columns independent of an intercept and of those before them."""
        return estimable_places(self.X)

    @property
    def aliased(self) -> tuple[str, ...]:
        """Names of the columns that are such a combination."""
        return tuple(str(n) for i, n in enumerate(self.columns) if i not in self.estimable)

    @property
    def estimable_names(self) -> list[str]:
        """Names of the estimable columns."""
        return [str(self.columns[place]) for place in self.estimable]

    @property
    def estimable_X(self) -> FloatArray:
        """The estimable columns, shape (n, number of them)."""
        return self.X[:, self.estimable]

    def estimable_terms(self, *, first: int = 0) -> dict[str, list[int]]:
        """Return the places among the estimable columns of each wholly estimable term.

        Parameters
        ----------
        first : int, default 0
            Place of the first estimable column, such as 1 behind an intercept.
        """
        terms: dict[str, list[int]] = {}
        for term in dict.fromkeys(self.owners):
            own = [place for place, owner in enumerate(self.owners) if owner == term]
            if all(place in self.estimable for place in own):
                terms[term] = [first + self.estimable.index(place) for place in own]
        return terms


_EXACT = 1e-10
"""Share of the scores' length below which a residual is rounding alone (chosen here, no
source)."""
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
        Columns that are a combination of the ones before them in these tiles.
    notes : tuple of str
        Why the method is not the one hoped for.
    coefficients : DataFrame
        column, estimate, standard_error, df, t, p_value; one row per estimable
        column, intercept first where there is one.
    terms : DataFrame
        term, F, df_numerator, df_denominator, p_value (term, chi_squared, df,
        p_value where the method is ordinal); of the wholly estimable terms.
    sds : mapping of str to float
        ``load`` and ``residual``, as far as estimated in units of the score.
    condition : float or None
        Condition number of the estimable columns, scaled to one length.
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
    X = np.column_stack([np.ones(len(scores.score)), scores.estimable_X])
    labels = [INTERCEPT, *scores.estimable_names]
    owned = scores.estimable_terms(first=1)
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
    return bool(np.linalg.norm(residual) <= _EXACT * max(1.0, float(np.linalg.norm(score))))


def _condition(X: FloatArray) -> float | None:
    return float(np.linalg.cond(X / np.linalg.norm(X, axis=0))) if X.size else None
