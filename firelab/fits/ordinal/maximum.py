r"""Newton's method with safeguards, and a record of how far it came.

A step is halved while it lowers the function, and a ridge is added where the
Hessian is not negative definite. The last Newton step measures how many
decimals of each parameter are right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from firelab.arrays import FloatArray

_STEP_TOLERANCE = 1e-9
"""A step smaller than this, in units of each parameter, changes no digit reported."""
_MOST_ITERATIONS, _MOST_HALVINGS = 60, 30
"""Newton steps at most, and halvings of one: to 1e-9 of it (chosen here, no source)."""
_DIFFERENCE = 1e-4
"""Step of a differenced Hessian, of the order of the cube root of double precision, where
cutting off and rounding err alike."""
_SLACK = 1e-11
"""By how much of itself the function may fall from rounding alone."""

CODE_MEANINGS = {
    0: "converged: every step is below 1e-9",
    1: "the largest value was found to rounding, but the last step is not small",
    2: "no stop within the allowed iterations",
    3: "the information is singular: some parameters cannot be told apart",
}


class Shape(NamedTuple):
    """A function at one point.

    Attributes
    ----------
    value : float
    gradient : ndarray, shape (q,)
    hessian : ndarray, shape (q, q)
    """

    value: float
    gradient: FloatArray
    hessian: FloatArray


class Objective(Protocol):
    """What can be maximised."""

    def value(self, point: FloatArray) -> float:
        """Return the function."""

    def gradient(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Return the function and its gradient."""

    def evaluate(self, point: FloatArray) -> Shape:
        """Return the function with gradient and Hessian."""


def differenced_hessian(objective: Objective, point: FloatArray) -> FloatArray:
    """Return the Hessian as central differences of an exact gradient."""
    size = len(point)
    hessian = np.empty((size, size))
    for place in range(size):
        step = np.zeros(size)
        step[place] = _DIFFERENCE * max(1.0, abs(point[place]))
        above = objective.gradient(point + step)[1]
        below = objective.gradient(point - step)[1]
        hessian[place] = (above - below) / (2.0 * step[place])
    return 0.5 * (hessian + hessian.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Convergence:
    """How well a maximum was found.

    Attributes
    ----------
    code : int
        0 is converged; `message` says the rest.
    message : str
    iterations : int
    largest_gradient : float
    condition_number : float
        Of the observed information; infinite where it is singular.
    gradient : ndarray, shape (q,)
    correct_decimals : ndarray, shape (q,)
        From the Newton step that would come next; at most 16.
    """

    code: int
    message: str
    iterations: int
    largest_gradient: float
    condition_number: float
    gradient: FloatArray
    correct_decimals: FloatArray

    def to_dict(self, names: Sequence[str]) -> dict[str, Any]:
        """Return the record as plain values, one entry per parameter."""
        condition = self.condition_number
        return {
            "code": self.code,
            "message": self.message,
            "iterations": self.iterations,
            "largest_gradient": self.largest_gradient,
            "condition_number": condition if np.isfinite(condition) else None,
            "parameters": {
                name: {"gradient": float(slope), "correct_decimals": float(decimals)}
                for name, slope, decimals in zip(
                    names, self.gradient, self.correct_decimals, strict=True
                )
            },
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maximum:
    """A point, the function there, and how it was found.

    Attributes
    ----------
    point : ndarray, shape (q,)
    shape : Shape
    convergence : Convergence
    steady : bool
        Whether the steps shrank to nothing, as they do at a true maximum and
        never do where the likelihood only rises towards infinity.
    """

    point: FloatArray
    shape: Shape
    convergence: Convergence
    steady: bool


def maximise(
    objective: Objective,
    start: FloatArray,
    *,
    units: FloatArray | None = None,
    fixed: Sequence[int] = (),
    most_iterations: int = _MOST_ITERATIONS,
) -> Maximum:
    """Return the maximum near a starting point.

    Parameters
    ----------
    objective : Objective
    start : ndarray, shape (q,)
        A point where the function is finite.
    units : ndarray, shape (q,), optional
        Size that counts as one for each parameter; 1 by default.
    fixed : sequence of int
        Places of parameters that are held at their start.
    most_iterations : int
    """
    with np.errstate(all="ignore"):
        return _climb(objective, start, units, fixed, most_iterations)


def _climb(
    objective: Objective,
    start: FloatArray,
    units: FloatArray | None,
    fixed: Sequence[int],
    most_iterations: int,
) -> Maximum:
    point = np.array(start, dtype=float)
    floor = np.ones(len(point)) if units is None else units
    free = np.setdiff1d(np.arange(len(point)), np.asarray(fixed, dtype=int))
    here = objective.evaluate(point)
    steady, stuck, count = not len(free), not _is_finite(here), 0
    while count < most_iterations and not steady and not stuck:
        step = _newton_step(here, free)
        count += 1
        small = _is_small(step, point, floor)
        trial, trial_shape = _shortened(objective, point, here, step)
        if trial_shape is None:
            steady, stuck = small, not small
            break
        point, here, steady = trial, trial_shape, small
    code = 0 if steady else 1 if stuck else 2
    return Maximum(
        point=point,
        shape=here,
        convergence=convergence_record(here, free, code, count),
        steady=steady,
    )


def _is_finite(here: Shape) -> bool:
    return bool(np.isfinite(here.value)) and bool(np.all(np.isfinite(here.hessian)))


def _is_small(step: FloatArray, point: FloatArray, units: FloatArray) -> bool:
    """Tell whether a step changes nothing that counts."""
    return bool(np.all(np.abs(step) <= _STEP_TOLERANCE * np.maximum(units, np.abs(point))))


def _shortened(
    objective: Objective, point: FloatArray, here: Shape, step: FloatArray
) -> tuple[FloatArray, Shape | None]:
    """Halve a step until the function does not fall; None where it always does."""
    slack = _SLACK * (1.0 + abs(here.value))
    for halving in range(_MOST_HALVINGS):
        trial = point + step * 0.5**halving
        value = objective.value(trial) if halving else None
        if value is not None and not value >= here.value - slack:
            continue
        trial_shape = objective.evaluate(trial)
        if _is_finite(trial_shape) and trial_shape.value >= here.value - slack:
            return trial, trial_shape
    return point, None


def _newton_step(here: Shape, free: NDArray[np.intp]) -> FloatArray:
    """Return the Newton step of the free parameters, with a ridge where needed."""
    step = np.zeros(len(here.gradient))
    curvature = -here.hessian[np.ix_(free, free)]
    gradient = here.gradient[free]
    size = np.abs(np.diag(curvature))
    ridge = 0.0
    for _ in range(40):
        try:
            root = np.linalg.cholesky(curvature + ridge * np.diag(size + 1e-8))
        except np.linalg.LinAlgError:
            ridge = max(10.0 * ridge, 1e-10)
            continue
        step[free] = np.linalg.solve(root.T, np.linalg.solve(root, gradient))
        return step
    step[free] = gradient / np.maximum(size, 1e-8)
    return step


def condition_number(information: FloatArray, *, scaled: bool = False) -> float:
    """Return the condition number of an information matrix.

    Parameters
    ----------
    information : ndarray, shape (q, q)
    scaled : bool, default False
        Scale its diagonal to one first, so that units do not count.

    Returns
    -------
    float
        Infinite where the matrix is not positive definite.
    """
    if not np.all(np.isfinite(information)):
        return np.inf
    if scaled:
        size = np.sqrt(np.maximum(np.diag(information), 1e-300))
        information = information / np.outer(size, size)
    values = np.linalg.eigvalsh(information)
    worst, best = (float(values[0]), float(values[-1])) if len(values) else (1.0, 1.0)
    return best / worst if worst > 1e-16 * best and best > 0.0 else np.inf


def convergence_record(
    here: Shape, free: NDArray[np.intp], code: int, iterations: int
) -> Convergence:
    """Return the record of a point, judged by the step that would come next."""
    step = _newton_step(here, free)
    with np.errstate(divide="ignore"):
        decimals = np.minimum(-np.log10(np.abs(step)), 16.0)
    information = -here.hessian[np.ix_(free, free)]
    if code == 0 and not np.isfinite(condition_number(information, scaled=True)):
        code = 3
    gradient = np.zeros(len(step))
    gradient[free] = here.gradient[free]
    return Convergence(
        code=code,
        message=CODE_MEANINGS[code],
        iterations=iterations,
        largest_gradient=float(np.max(np.abs(gradient), initial=0.0)),
        condition_number=condition_number(information),
        gradient=gradient,
        correct_decimals=np.maximum(decimals, 0.0),
    )
