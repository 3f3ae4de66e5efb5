"""The mode of a log posterior by a safeguarded Newton iteration."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ValueAndGradient = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

_STEP = 1e-4
"""Half the width of a difference of gradients, in prior sds: its error is 1e-8."""
_MOST_STEPS = 60
"""Newton steps at most; ten are usual."""
_SMALL_GRADIENT, _CONVERGED = 1e-6, 1e-3
"""Largest derivative by a prior sd that ends the search, and that counts as
converged: either is far below what draws can show."""
_LONGEST = 2.0
"""Longest step along a coordinate, prior sds: beyond it the curvature misleads (chosen
here, no source)."""
_LENGTHS = np.array([1.0, 0.5, 0.25, 0.1, 0.03, 0.01])
"""Shares of a step that are tried, all in one call of the density."""
_LEAST_CURVATURE = 0.05
"""Least eigenvalue of the precision, where a prior alone gives 1: an importance sample
from it is wide rather than without end (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mode:
    """A mode and the shape of the log density around it.

    Attributes
    ----------
    point : ndarray, shape (q,)
    log_density : float
    precision : ndarray, shape (q, q)
        Minus the Hessian, made positive definite where it is not.
    largest_gradient : float
    n_steps : int
    condition : float
        Condition number of the precision.
    """

    point: FloatArray
    log_density: float
    precision: FloatArray
    largest_gradient: float
    n_steps: int
    condition: float

    @property
    def converged(self) -> bool:
        """Whether the gradient has vanished."""
        return self.largest_gradient < _CONVERGED


def find_mode(density: ValueAndGradient, start: FloatArray) -> Mode:
    """Climb to the mode from a start.

    The Hessian is the central difference of the analytic gradient, all its
    columns in one call; where it is not negative definite its eigenvalues are
    turned so that every step still climbs.

    Parameters
    ----------
    density : callable
        Takes (M, q) points, returns log densities (M,) and gradients (M, q).
    start : ndarray, shape (q,)

    Returns
    -------
    Mode
    """
    point, count = np.asarray(start, dtype=float), 0
    value, gradient, precision = _shape_at(density, point)
    for _ in range(_MOST_STEPS):
        if np.max(np.abs(gradient)) < _SMALL_GRADIENT:
            break
        step = np.linalg.solve(precision, gradient)
        step *= min(1.0, _LONGEST / np.max(np.abs(step)))
        tried = density(point + _LENGTHS[:, None] * step)[0]
        best = int(np.argmax(np.where(np.isfinite(tried), tried, -np.inf)))
        if not tried[best] > value:
            break
        point, count = point + _LENGTHS[best] * step, count + 1
        value, gradient, precision = _shape_at(density, point)
    roots = np.linalg.eigvalsh(precision)
    return Mode(
        point=point,
        log_density=value,
        precision=precision,
        largest_gradient=float(np.max(np.abs(gradient))),
        n_steps=count,
        condition=float(roots[-1] / roots[0]),
    )


def _shape_at(
    density: ValueAndGradient, point: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    away = _STEP * np.eye(point.size)
    values, gradients = density(np.vstack([point, point + away, point - away]))
    q = point.size
    hessian = (gradients[1 : q + 1] - gradients[q + 1 :]) / (2.0 * _STEP)
    roots, axes = np.linalg.eigh(-0.5 * (hessian + hessian.T))
    roots = np.maximum(np.abs(roots), _LEAST_CURVATURE)
    return float(values[0]), gradients[0], (axes * roots) @ axes.T
