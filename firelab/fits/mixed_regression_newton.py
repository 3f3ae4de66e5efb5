r"""Variance ratios of least deviance: a coarse search, then Newton at the bound.

A ratio cannot be negative. Where the deviance rises from zero the ratio stays
at zero and says so; elsewhere Newton with the exact second derivatives, or
their expectation where those are not positive definite, converges to rounding.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.mixed_regression_likelihood import (
    Curvature,
    MixedProblem,
    ProfileSolution,
    curvature_at,
    profile_at,
)

FloatArray = NDArray[np.float64]

_COARSE = (0.0, 0.01, 0.1, 0.3, 1.0, 3.0, 10.0, 100.0)
_STEPS = 60
_SETTLED = 1e-18


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
    def at_zero(self) -> NDArray[np.bool_]:
        """Which ratios are held at zero."""
        return np.asarray(self.ratios <= 0.0)

    @property
    def converged(self) -> bool:
        """Whether a further step would change nothing that matters."""
        return self.decrement < 1e-10


def least_deviance(problem: MixedProblem) -> RatioOptimum:
    """Return the variance ratios of least deviance, none below zero."""
    r = problem.groups.n_components
    ratios = min(
        (np.array(start) for start in itertools.product(_COARSE, repeat=r)),
        key=lambda start: profile_at(problem, start).deviance,
    )
    solution = profile_at(problem, ratios)
    decrement, steps = np.inf, 0
    while steps < _STEPS:
        steps += 1
        curvature = curvature_at(problem, solution)
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
        curvature=curvature_at(problem, solution),
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
        if np.linalg.eigvalsh(inside)[0] > 1e-12 * np.abs(inside).max():
            step[free] = -np.linalg.solve(inside, gradient)
            return step
    step[free] = -gradient * (1.0 + ratios[free]) ** 2
    return step


def _shortened(
    problem: MixedProblem, ratios: FloatArray, step: FloatArray, deviance: float
) -> tuple[FloatArray | None, ProfileSolution | None]:
    """Halve a step, kept at or above zero, until the deviance does not rise."""
    slack = 1e-13 * max(1.0, abs(deviance))
    for halving in range(40):
        moved = np.maximum(ratios + step * 0.5**halving, 0.0)
        if np.array_equal(moved, ratios):
            break
        solution = profile_at(problem, moved)
        if solution.deviance <= deviance + slack:
            return moved, solution
    return None, None
