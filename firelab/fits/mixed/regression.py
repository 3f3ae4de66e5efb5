r"""Linear mixed model by restricted or plain maximum likelihood.

.. math:: y = X\beta + Z_1 u_1 + Z_2 u_2 + e

with one grouping, or two of which the second is nested in the first. The
coefficients and the residual variance are profiled out; the variance ratios
are found by Newton's method with exact derivatives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_triangular

from firelab.arrays import BoolArray, FloatArray
from firelab.errors import FirelabError, RecordsInsufficient
from firelab.fits.mixed.groups import NestedGroups, nested_groups
from firelab.fits.mixed.likelihood import MixedProblem, RatioOptimum, least_deviance

_RANK_TOLERANCE = 1e-8
"""Singular value of columns of one length below which they are dependent."""
_EXACT = 1e-10
"""Share of the response's length below which a residual is rounding alone."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedRegression:
    """A fitted linear mixed model with r groupings.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        Of the coefficients, the variances taken as known.
    variances : ndarray, shape (r + 1,)
        Of the groupings, outermost first, then of the residual.
    variances_covariance : ndarray, shape (r + 1, r + 1)
        Inverse of the expected information on the variances.
    at_zero : ndarray of bool, shape (r,)
        Which group variances are estimated as zero; their standard errors
        describe the information only, not an interval.
    log_likelihood : float
        Restricted where `restricted`; it then depends on the coding of the
        regressors and compares fits of one coding only.
    restricted : bool
    y, X : ndarray, shapes (n,) and (n, p)
        What was fitted.
    groups : NestedGroups
    steps : int
        Newton steps taken.
    gradient : float
        Largest derivative of the deviance by a free variance ratio, times
        (1 + ratio).
    converged : bool
    """

    coefficients: FloatArray
    covariance: FloatArray
    variances: FloatArray
    variances_covariance: FloatArray
    at_zero: BoolArray
    log_likelihood: float
    restricted: bool
    y: FloatArray
    X: FloatArray
    groups: NestedGroups
    steps: int
    gradient: float
    converged: bool

    @property
    def standard_errors(self) -> FloatArray:
        """Of the coefficients, the variances taken as known."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def variances_standard_errors(self) -> FloatArray:
        """Asymptotic standard errors of the variances, shape (r + 1,)."""
        return np.asarray(np.sqrt(np.diag(self.variances_covariance)))

    @property
    def ratios(self) -> FloatArray:
        """Group variances over the residual variance, padded to two."""
        padded = np.zeros(2)
        padded[: self.variances.size - 1] = self.variances[:-1] / self.variances[-1]
        return padded


def fit_mixed(
    y: ArrayLike, X: ArrayLike, labels: Sequence[ArrayLike], *, restricted: bool = True
) -> MixedRegression:
    """Fit a linear mixed model with one grouping or two nested ones.

    Parameters
    ----------
    y : array_like, shape (n,)
    X : array_like, shape (n, p)
        Regressors, the intercept among them, of full column rank.
    labels : sequence of array_like, each of shape (n,)
        One grouping, or two, outermost first.
    restricted : bool, default True
        REML; else maximum likelihood.

    Raises
    ------
    FirelabError
        If the columns of X are linearly dependent, shapes disagree, or a
        value is not finite.
    RecordsInsufficient
        If there are too few rows or groups, or no residual is left.

    References
    ----------
    .. [1] Harville, D. A. (1977). Maximum likelihood approaches to variance
       component estimation. *J. Am. Stat. Assoc.*, 72(358), 320-338.

    Examples
    --------
    Three loads of two tiles; balanced, so the variances are those of the
    analysis of variance: (68.1667 - 0.5) / 2 and 0.5.

    >>> fit = fit_mixed([1, 2, 5, 6, 12.5, 13.5], np.ones((6, 1)), [[1, 1, 2, 2, 3, 3]])
    >>> fit.variances.round(6)
    array([33.833333,  0.5     ])
    """
    response, regressors = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    _refuse_bad_arrays(response, regressors)
    groups = nested_groups(labels)
    basis, triangle = np.linalg.qr(regressors)
    diagonal = np.abs(np.diag(triangle))
    problem = MixedProblem(
        y=response,
        basis=basis,
        log_scale=2 * float(np.log(diagonal).sum()),
        groups=groups,
        restricted=restricted,
    )
    _refuse_unidentified(problem)
    best = least_deviance(problem)
    return _assembled(problem, regressors, triangle, best)


def _assembled(
    problem: MixedProblem, X: FloatArray, triangle: FloatArray, best: RatioOptimum
) -> MixedRegression:
    residual_variance = best.solution.quadratic / problem.n_effective
    undo = solve_triangular(triangle, np.eye(X.shape[1]))
    free = ~best.at_zero
    scaled = best.curvature.gradient[free] * (1.0 + best.ratios[free])
    return MixedRegression(
        coefficients=undo @ best.solution.coefficients,
        covariance=residual_variance * undo @ best.solution.inverse @ undo.T,
        variances=np.append(best.ratios, 1.0) * residual_variance,
        variances_covariance=_variances_covariance(problem, best, residual_variance),
        at_zero=best.at_zero,
        log_likelihood=-best.solution.deviance / 2,
        restricted=problem.restricted,
        y=problem.y,
        X=X,
        groups=problem.groups,
        steps=best.steps,
        gradient=float(np.abs(scaled).max()) if free.any() else 0.0,
        converged=best.converged,
    )


def _variances_covariance(
    problem: MixedProblem, best: RatioOptimum, residual: float
) -> FloatArray:
    """Invert the information on ratios and residual, then carry it to variances."""
    r, curvature = best.ratios.size, best.curvature
    information = np.empty((r + 1, r + 1))
    information[:r, :r] = curvature.pair_traces / 2
    information[:r, r] = information[r, :r] = curvature.traces / (2 * residual)
    information[r, r] = problem.n_effective / (2 * residual**2)
    carry = np.diag(np.append(np.full(r, residual), 1.0))
    carry[:r, r] = best.ratios
    scale = 1.0 / np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    return np.asarray(carry @ inverse @ carry.T)


def _refuse_bad_arrays(y: FloatArray, X: FloatArray) -> None:
    if y.ndim != 1 or X.ndim != 2 or len(y) != len(X):
        raise FirelabError(f"shapes disagree: y {y.shape} and X {X.shape}")
    if not (np.isfinite(y).all() and np.isfinite(X).all()):
        raise FirelabError(
            "a value is missing or not finite", hint="leave such rows out before fitting"
        )
    n, p = X.shape
    if n <= p:
        raise RecordsInsufficient(
            f"{n} rows cannot tell {p} coefficients and a variance",
            hint="fire more tiles, or ask for fewer terms",
        )
    scale = np.linalg.norm(X, axis=0)
    if (scale == 0).any() or np.linalg.matrix_rank(X / scale) < p:
        raise FirelabError(
            "the regressors are linearly dependent",
            hint="leave out the terms that the plan cannot tell apart",
        )


def _refuse_unidentified(problem: MixedProblem) -> None:
    """Refuse where the regressors leave a grouping, or the residual, nothing."""
    n, p = problem.basis.shape
    rank = p
    for component in range(problem.groups.n_components):
        left, residual = _within(problem, component)
        reached = problem.groups.sizes(component).size + np.linalg.matrix_rank(
            left, tol=_RANK_TOLERANCE
        )
        if reached <= rank:
            raise RecordsInsufficient(
                "the effect of the groups cannot be told from the terms: each group "
                "has a setting of its own",
                hint="fire one setting in more than one load",
            )
        rank = int(reached)
    exact = np.linalg.norm(residual) <= _EXACT * float(np.linalg.norm(problem.y))
    if rank >= n or exact:
        raise RecordsInsufficient(
            "rows of one group do not differ beyond what the terms say: no residual "
            "is left to measure anything against",
            hint="fire more tiles to a load, or ask for fewer terms",
        )


def _within(problem: MixedProblem, component: int) -> tuple[FloatArray, FloatArray]:
    """Regressors, and the residual on them, less the means of the groups."""
    columns = np.column_stack([problem.basis, problem.y])
    sizes = problem.groups.sizes(component)
    means = problem.groups.sums(columns, component) / sizes[:, None]
    within = columns - problem.groups.spread(means, component)
    left, response = within[:, :-1], within[:, -1]
    fitted = np.linalg.lstsq(left, response, rcond=None)[0]
    return left, np.asarray(response - left @ fitted)
