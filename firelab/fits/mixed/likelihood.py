r"""The profiled likelihood of a linear mixed model, with exact derivatives.

With :math:`P = V^{-1} - V^{-1}X(X^\top V^{-1}X)^{-1}X^\top V^{-1}` and
:math:`q = y^\top P y`, profiling the residual variance out leaves the deviance
:math:`\ln|V| + \ln|X^\top V^{-1} X| + (n-p)\,(1 + \ln(2\pi q/(n-p)))`
(restricted), whose derivatives by the variance ratios are
:math:`\mathrm{tr}(PV_i) - (n-p)\,q_i/q` and
:math:`-\mathrm{tr}(PV_iPV_j) + (n-p)\,(2q_{ij}/q - q_iq_j/q^2)`, where
:math:`q_i = y^\top PV_iPy` and :math:`q_{ij} = y^\top PV_iPV_jPy`. Without
restriction, :math:`V^{-1}` takes the place of P in the traces, n that of n - p,
and :math:`\ln|X^\top V^{-1}X|` is left out.

A ratio cannot be negative. Where the deviance rises from zero the ratio stays
at zero and says so; elsewhere Newton's method with the exact second derivatives,
or their expectation where those are not positive definite, converges to rounding.

References
----------
.. [1] Patterson, H. D. & Thompson, R. (1971). Recovery of inter-block
   information when block sizes are unequal. *Biometrika*, 58(3), 545-554.
.. [2] Harville, D. A. (1977). Maximum likelihood approaches to variance
   component estimation. *J. Am. Stat. Assoc.*, 72(358), 320-338.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from firelab.arrays import BoolArray, FloatArray
from firelab.fits.mixed.groups import NestedCovariance, NestedGroups


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedProblem:
    """What is fitted.

    Attributes
    ----------
    y : ndarray, shape (n,)
    basis : ndarray, shape (n, p)
        Orthonormal columns that span the regressors.
    log_scale : float
        ln |X'X|: twice the log determinant of the triangle from `basis` to
        the regressors.
    groups : NestedGroups
    restricted : bool
        REML where true, else ML.
    """

    y: FloatArray
    basis: FloatArray
    log_scale: float
    groups: NestedGroups
    restricted: bool

    @property
    def n_effective(self) -> int:
        """Rows that inform the residual variance: n - p restricted, else n."""
        n, p = self.basis.shape
        return int(n - p if self.restricted else n)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileSolution:
    """Coefficients and residual variance that are best at given ratios.

    Attributes
    ----------
    covariance : NestedCovariance
    coefficients : ndarray, shape (p,)
        On the orthonormal basis.
    inverse : ndarray, shape (p, p)
        Inverse of basis' V^-1 basis.
    solved_basis : ndarray, shape (n, p)
        V^-1 basis.
    projected : ndarray, shape (n,)
        P y.
    quadratic : float
        y' P y.
    deviance : float
        -2 log likelihood, residual variance profiled out.
    """

    covariance: NestedCovariance
    coefficients: FloatArray
    inverse: FloatArray
    solved_basis: FloatArray
    projected: FloatArray
    quadratic: float
    deviance: float


def _profile_at(problem: MixedProblem, ratios: FloatArray) -> ProfileSolution:
    """Return the best coefficients and the deviance at given variance ratios."""
    padded = np.zeros(2)
    padded[: ratios.size] = ratios
    covariance = NestedCovariance(groups=problem.groups, ratios=padded)
    solved = covariance.solve(np.column_stack([problem.basis, problem.y]))
    solved_basis, solved_y = solved[:, :-1], solved[:, -1]
    factor = cho_factor(problem.basis.T @ solved_basis, lower=True)
    coefficients = cho_solve(factor, problem.basis.T @ solved_y)
    projected = solved_y - solved_basis @ coefficients
    residual = problem.y - problem.basis @ coefficients
    quadratic = float(residual @ projected)
    m = problem.n_effective
    deviance = covariance.log_determinant()
    if problem.restricted:
        deviance += 2 * float(np.log(np.diag(factor[0])).sum()) + problem.log_scale
    deviance += m * (1.0 + float(np.log(2 * np.pi * max(quadratic, 1e-300) / m)))
    return ProfileSolution(
        covariance=covariance,
        coefficients=np.asarray(coefficients),
        inverse=np.asarray(cho_solve(factor, np.eye(problem.basis.shape[1]))),
        solved_basis=solved_basis,
        projected=projected,
        quadratic=quadratic,
        deviance=deviance,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curvature:
    """Derivatives of the deviance by the r variance ratios.

    Attributes
    ----------
    gradient : ndarray, shape (r,)
    hessian, expected : ndarray, shape (r, r)
        Exact, and its expectation.
    traces : ndarray, shape (r,)
        tr(P V_i), or tr(V^-1 V_i) without restriction.
    pair_traces : ndarray, shape (r, r)
        tr(P V_i P V_j), or with V^-1 for P.
    """

    gradient: FloatArray
    hessian: FloatArray
    expected: FloatArray
    traces: FloatArray
    pair_traces: FloatArray


def _curvature_at(problem: MixedProblem, solution: ProfileSolution) -> Curvature:
    """Return the exact derivatives of the deviance at a profile solution."""
    r, m, q = problem.groups.n_components, problem.n_effective, solution.quadratic
    traces, pairs = _traces(problem, solution)
    first, second = _quadratic_forms(problem, solution)
    hessian = -pairs + m * (2 * second / q - np.outer(first, first) / q**2)
    return Curvature(
        gradient=traces - m * first / q,
        hessian=np.asarray(hessian).reshape(r, r),
        expected=pairs - np.outer(traces, traces) / m,
        traces=traces,
        pair_traces=pairs,
    )


def _traces(
    problem: MixedProblem, solution: ProfileSolution
) -> tuple[FloatArray, FloatArray]:
    r, V, C = problem.groups.n_components, solution.covariance, solution.inverse
    traces = np.array([V.trace(i) for i in range(r)])
    pairs = np.array([[V.squared_norm(i, j) for j in range(r)] for i in range(r)])
    if not problem.restricted:
        return traces, pairs
    W = [problem.groups.sums(solution.solved_basis, i) for i in range(r)]
    inside = [C @ (w.T @ w) for w in W]
    for i in range(r):
        traces[i] -= np.trace(inside[i])
        for j in range(r):
            crossed = W[i].T @ V.between(i, j, W[j])
            pairs[i, j] += np.sum(inside[i] * inside[j].T) - 2 * np.sum(C * crossed)
    return traces, pairs


def _quadratic_forms(
    problem: MixedProblem, solution: ProfileSolution
) -> tuple[FloatArray, FloatArray]:
    r, V, C = problem.groups.n_components, solution.covariance, solution.inverse
    w = [problem.groups.sums(solution.projected, i) for i in range(r)]
    first = np.array([one @ one for one in w])
    pulled = [
        problem.groups.sums(solution.solved_basis, i).T @ one for i, one in enumerate(w)
    ]
    second = np.array(
        [
            [
                w[i] @ V.between(i, j, w[j][:, None])[:, 0] - pulled[i] @ C @ pulled[j]
                for j in range(r)
            ]
            for i in range(r)
        ]
    )
    return first, second


_COARSE = (0.0, 0.01, 0.1, 0.3, 1.0, 3.0, 10.0, 100.0)
"""Ratios among which the search begins, so that it ends in the lower of two minima
(chosen here, no source)."""
_STEPS = 60
"""Newton steps at most; a handful is usual."""
_SETTLED, _CONVERGED = 1e-18, 1e-10
"""Promised fall of the deviance that ends the search, and that counts as converged:
rounding, and a standard error's hundred thousandth."""
_POSITIVE = 1e-12
"""Smallest eigenvalue over the largest entry of a matrix taken as positive definite."""
_HALVINGS = 40
"""Halvings of a step at most."""
_SLACK = 1e-13
"""Rise of the deviance, over its size, that is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatioOptimum:
    """Where the search ended.

    Attributes
    ----------
    ratios : ndarray, shape (r,)
    solution : ProfileSolution
    curvature : Curvature
    steps : int
        Newton steps taken.
    decrement : float
        The fall of the deviance that a further step promises.
    """

    ratios: FloatArray
    solution: ProfileSolution
    curvature: Curvature
    steps: int
    decrement: float

    @property
    def at_zero(self) -> BoolArray:
        """Which ratios are held at zero."""
        return np.asarray(self.ratios <= 0.0)

    @property
    def converged(self) -> bool:
        """Whether a further step would change nothing that matters."""
        return self.decrement < _CONVERGED


def least_deviance(problem: MixedProblem) -> RatioOptimum:
    """Return the variance ratios of least deviance, none below zero."""
    r = problem.groups.n_components
    ratios = min(
        (np.array(start) for start in itertools.product(_COARSE, repeat=r)),
        key=lambda start: _profile_at(problem, start).deviance,
    )
    solution = _profile_at(problem, ratios)
    decrement, steps = np.inf, 0
    while steps < _STEPS:
        steps += 1
        curvature = _curvature_at(problem, solution)
        step = _newton_step(ratios, curvature)
        decrement = float(-step @ curvature.gradient)
        if decrement < _SETTLED:
            break
        moved, nearer = _shortened(problem, ratios, step, solution.deviance)
        if moved is None or nearer is None:
            break
        ratios, solution = moved, nearer
    return RatioOptimum(
        ratios=ratios,
        solution=solution,
        curvature=_curvature_at(problem, solution),
        steps=steps,
        decrement=abs(decrement),
    )


def _newton_step(ratios: FloatArray, curvature: Curvature) -> FloatArray:
    step = np.zeros_like(ratios)
    free = (ratios > 0) | (curvature.gradient < 0)
    if not free.any():
        return step
    gradient = curvature.gradient[free]
    for matrix in (curvature.hessian, curvature.expected):
        inside = matrix[np.ix_(free, free)]
        if np.linalg.eigvalsh(inside)[0] > _POSITIVE * np.abs(inside).max():
            step[free] = -np.linalg.solve(inside, gradient)
            return step
    step[free] = -gradient * (1.0 + ratios[free]) ** 2
    return step


def _shortened(
    problem: MixedProblem, ratios: FloatArray, step: FloatArray, deviance: float
) -> tuple[FloatArray | None, ProfileSolution | None]:
    """Halve a step, kept at or above zero, until the deviance does not rise."""
    slack = _SLACK * max(1.0, abs(deviance))
    for halving in range(_HALVINGS):
        moved = np.maximum(ratios + step * 0.5**halving, 0.0)
        if np.array_equal(moved, ratios):
            break
        solution = _profile_at(problem, moved)
        if solution.deviance <= deviance + slack:
            return moved, solution
    return None, None
