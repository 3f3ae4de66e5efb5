r"""Degrees of freedom for the coefficients of a mixed model.

The uncertainty of the variances enters twice: it widens the covariance of the
coefficients, and it leaves fewer degrees of freedom than rows. A group variance
estimated as zero keeps its information, so that a whole-plot factor is judged
against whole plots even there. Where too few groups stand behind a test of
several rows for Kenward and Roger's moments to exist, the denominator is Fai and
Cornelius'.

References
----------
.. [1] Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed
   effects from restricted maximum likelihood. *Biometrics*, 53(3), 983-997.
.. [2] Satterthwaite, F. E. (1946). An approximate distribution of estimates of
   variance components. *Biometrics Bulletin*, 2(6), 110-114.
.. [3] Fai, A. H.-T. & Cornelius, P. L. (1996). Approximate F-tests of multiple
   degree of freedom hypotheses in generalized least squares analyses of
   unbalanced split-plot experiments. *J. Stat. Comput. Simul.*, 54, 363-378.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc, stdtr

from firelab.arrays import FloatArray
from firelab.errors import FirelabError
from firelab.fits.mixed.groups import NestedCovariance
from firelab.fits.mixed.regression import MixedRegression

Approximation = Literal["kenward-roger", "satterthwaite"]
_SAME = 1e-8
"""Spread of degrees of freedom, over the largest, that is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoefficientUncertainty:
    """What the tests need, computed once for a fit with r groupings.

    Attributes
    ----------
    fit : MixedRegression
    slopes : ndarray, shape (r + 1, p, p)
        Derivatives of X' V^-1 X by each variance.
    adjusted : ndarray, shape (p, p)
        Covariance of the coefficients widened for the uncertainty of the
        variances (Kenward & Roger, eq. 5).
    """

    fit: MixedRegression
    slopes: FloatArray
    adjusted: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class TermTest:
    """An F test that some coefficients are all zero.

    Attributes
    ----------
    statistic, numerator, denominator, p_value : float
        F, its degrees of freedom, and the probability of a larger F.
    """

    statistic: float
    numerator: float
    denominator: float
    p_value: float


def coefficient_uncertainty(fit: MixedRegression) -> CoefficientUncertainty:
    """Return the derivatives and the widened covariance of a fit."""
    residual = float(fit.variances[-1])
    V = NestedCovariance(groups=fit.groups, ratios=fit.ratios)
    solved = V.solve(fit.X) / residual
    moved = [
        fit.groups.spread(fit.groups.sums(solved, i), i)
        for i in range(fit.groups.n_components)
    ]
    moved.append(solved)
    again = [V.solve(one) / residual for one in moved]
    first = [-solved.T @ one for one in moved]
    covariance, weight = fit.covariance, fit.variances_covariance
    extra = np.zeros_like(covariance)
    for i, j in np.ndindex(weight.shape):
        second = moved[i].T @ again[j]
        extra += weight[i, j] * (second - first[i] @ covariance @ first[j])
    widened = covariance + 2 * covariance @ extra @ covariance
    return CoefficientUncertainty(fit=fit, slopes=np.stack(first), adjusted=widened)


def contrast_test(
    uncertainty: CoefficientUncertainty,
    contrast: ArrayLike,
    *,
    approximation: Approximation = "kenward-roger",
) -> TermTest:
    """Test that some combinations of coefficients are all zero.

    Parameters
    ----------
    uncertainty : CoefficientUncertainty
        Of a restricted fit.
    contrast : array_like, shape (p,) or (l, p)
        Linearly independent rows.
    approximation : {'kenward-roger', 'satterthwaite'}

    Raises
    ------
    FirelabError
        If the fit was not restricted, or the rows are dependent.
    """
    fit, rows = uncertainty.fit, np.atleast_2d(np.asarray(contrast, dtype=float))
    if not fit.restricted:
        raise FirelabError(
            "degrees of freedom need a restricted fit", hint="fit with restricted=True"
        )
    if np.linalg.matrix_rank(rows) < len(rows):
        raise FirelabError("the rows of the contrast are linearly dependent")
    if approximation == "kenward-roger":
        return _kenward_roger(uncertainty, rows)
    return _satterthwaite(uncertainty, rows)


def _kenward_roger(uncertainty: CoefficientUncertainty, rows: FloatArray) -> TermTest:
    fit, size = uncertainty.fit, len(rows)
    covariance, weight = fit.covariance, fit.variances_covariance
    theta = rows.T @ np.linalg.solve(rows @ covariance @ rows.T, rows)
    turned = [theta @ covariance @ slope @ covariance for slope in uncertainty.slopes]
    traces = np.array([np.trace(one) for one in turned])
    pairs = np.array([[np.sum(a * b.T) for b in turned] for a in turned])
    first, second = float(traces @ weight @ traces), float(np.sum(weight * pairs))
    matched = _matched_moments(first, second, size)
    scale, denominator = matched or (1.0, _pooled_degrees(uncertainty, rows))
    estimate = rows @ fit.coefficients
    spread = rows @ uncertainty.adjusted @ rows.T
    wald = float(estimate @ np.linalg.solve(spread, estimate)) / size
    return _f_test(scale * wald, size, denominator)


def _matched_moments(first: float, second: float, size: int) -> tuple[float, float] | None:
    """Scale and denominator whose F has the statistic's first two moments.

    For one row they are 1 and 2 / A2 exactly. None where so few groups stand
    behind the test that it has no such moments.
    """
    if second <= 0:
        return 1.0, np.inf
    if size == 1:
        return 1.0, 2.0 / second
    b = (first + 6 * second) / (2 * size)
    g = ((size + 1) * first - (size + 4) * second) / ((size + 2) * second)
    d = 3 * size + 2 * (1 - g)
    c1, c2, c3 = g / d, (size - g) / d, (size + 2 - g) / d
    if second >= size or 1 - c2 * b <= 0 or 1 - c3 * b <= 0 or 1 + c1 * b <= 0:
        return None
    mean = 1 / (1 - second / size)
    variance = 2 / size * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    excess = size * variance / (2 * mean**2) - 1
    if excess <= 0:
        return None
    denominator = 4 + (size + 2) / excess
    return denominator / (mean * (denominator - 2)), denominator


def _satterthwaite(uncertainty: CoefficientUncertainty, rows: FloatArray) -> TermTest:
    fit = uncertainty.fit
    estimate = rows @ fit.coefficients
    spread = rows @ fit.covariance @ rows.T
    wald = float(estimate @ np.linalg.solve(spread, estimate)) / len(rows)
    return _f_test(wald, len(rows), _pooled_degrees(uncertainty, rows))


def _pooled_degrees(uncertainty: CoefficientUncertainty, rows: FloatArray) -> float:
    """Fai and Cornelius' denominator: of an F with the mean of the squared t's."""
    covariance, size = uncertainty.fit.covariance, len(rows)
    values, vectors = np.linalg.eigh(rows @ covariance @ rows.T)
    degrees = np.array(
        [
            _single_degrees(uncertainty, row, value)
            for row, value in zip(vectors.T @ rows, values, strict=True)
        ]
    )
    if np.ptp(degrees) < _SAME * degrees.max():
        return float(degrees.mean())
    if (degrees <= 2).any():
        return 2.0
    total = float((degrees / (degrees - 2)).sum())
    return 2 * total / (total - size)


def _single_degrees(
    uncertainty: CoefficientUncertainty, row: FloatArray, variance: float
) -> float:
    fit = uncertainty.fit
    pulled = fit.covariance @ row
    gradient = -np.einsum("p,ipq,q->i", pulled, uncertainty.slopes, pulled)
    return float(2 * variance**2 / (gradient @ fit.variances_covariance @ gradient))


def _f_test(statistic: float, numerator: float, denominator: float) -> TermTest:
    positive = max(statistic, 0.0)
    if np.isinf(denominator):
        p_value = float(chdtrc(numerator, numerator * positive))
    else:
        p_value = float(fdtrc(numerator, denominator, positive))
    return TermTest(
        statistic=statistic,
        numerator=float(numerator),
        denominator=float(denominator),
        p_value=p_value,
    )


def coefficient_table(
    fit: MixedRegression,
    names: Sequence[str],
    *,
    approximation: Approximation = "kenward-roger",
) -> pd.DataFrame:
    """Return estimate, standard error, df, t and p of each coefficient.

    The standard error is the widened one under Kenward and Roger's method.
    """
    uncertainty = coefficient_uncertainty(fit)
    adjust = approximation == "kenward-roger"
    covariance = uncertainty.adjusted if adjust else fit.covariance
    errors = np.sqrt(np.diag(covariance))
    unit = np.eye(len(names))
    degrees = np.array(
        [
            contrast_test(uncertainty, row, approximation=approximation).denominator
            for row in unit
        ]
    )
    t = fit.coefficients / errors
    return pd.DataFrame(
        {
            "column": list(names),
            "estimate": fit.coefficients,
            "standard_error": errors,
            "df": degrees,
            "t": t,
            "p_value": 2 * stdtr(degrees, -np.abs(t)),
        }
    )


def term_table(
    fit: MixedRegression,
    terms: Mapping[str, Sequence[int]],
    *,
    approximation: Approximation = "kenward-roger",
) -> pd.DataFrame:
    """Return an F test of each term, given the columns that it owns."""
    uncertainty, p = coefficient_uncertainty(fit), fit.coefficients.size
    rows = []
    for term, columns in terms.items():
        test = contrast_test(
            uncertainty, np.eye(p)[list(columns)], approximation=approximation
        )
        rows.append((term, test.statistic, test.numerator, test.denominator, test.p_value))
    return pd.DataFrame(
        rows, columns=["term", "F", "df_numerator", "df_denominator", "p_value"]
    )
