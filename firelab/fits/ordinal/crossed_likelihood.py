r"""Log-likelihood with several crossed effects, by the Laplace approximation.

Loads and observers cross: every observer grades tiles of several loads. With
:math:`A` the columns of all effects, each times its standard deviation, the
integral over the standard normal effects :math:`u` is taken as

.. math:: \ell(\hat u) - \tfrac12 \hat u'\hat u
   - \tfrac12 \ln\det(I + A'WA),

:math:`W` the curvature of the looks at the mode. The gradient is exact, the
movement of the mode included; the Hessian is that of its differences.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.grade_design import Block, GradeDesign
from firelab.fits.ordinal.interval_terms import (
    IntervalTerms,
    interval_terms,
    mixed_derivatives,
    move_together,
)
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.newton import differenced_hessian
from firelab.fits.ordinal.plain_likelihood import Evaluation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_EFFECTS = 1500
_MODE_TOLERANCE = 1e-10
_MODE_ITERATIONS = 60


class _Mode(NamedTuple):
    """The mode at one point: effects, columns, curvature and derivatives there."""

    u: FloatArray
    columns: FloatArray
    inverse: FloatArray
    log_det: float
    weight: FloatArray
    terms: IntervalTerms


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrossedLikelihood:
    """The likelihood of looks that share several kinds of groups.

    Attributes
    ----------
    design : GradeDesign
        No scale effects.
    link : Link
    labels : ndarray of int, shape (n, c)
        Group of each cell, of each kind, from 0.
    """

    design: GradeDesign
    link: Link
    labels: IntArray
    _block: Block = field(init=False)
    _members: FloatArray = field(init=False)
    _kind: IntArray = field(init=False)
    _u: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        """Lay out the columns of all effects once."""
        counts = np.max(self.labels, axis=0) + 1
        members = np.zeros((len(self.labels), int(counts.sum())))
        first = np.r_[0, np.cumsum(counts)[:-1]]
        for kind in range(len(counts)):
            members[np.arange(len(members)), first[kind] + self.labels[:, kind]] = 1.0
        object.__setattr__(self, "_block", self.design.block(slice(0, len(members))))
        object.__setattr__(self, "_members", members)
        object.__setattr__(self, "_kind", np.repeat(np.arange(len(counts)), counts))
        object.__setattr__(self, "_u", np.zeros(members.shape[1]))

    @property
    def n_kinds(self) -> int:
        """Number of kinds of groups, each with its standard deviation."""
        return int(self.labels.shape[1])

    def value(self, point: FloatArray) -> float:
        """Return the log-likelihood."""
        return self._value(self._mode(point))

    def _value(self, mode: _Mode) -> float:
        looks = float(self._block.weights @ mode.terms.log_p)
        return looks - 0.5 * float(mode.u @ mode.u) - 0.5 * mode.log_det

    @np.errstate(all="ignore")
    def gradient(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Return the log-likelihood and its exact gradient."""
        mode, block = self._mode(point), self._block
        by = mixed_derivatives(mode.terms)
        shift_by, by_linear = self._movements(mode, by.d1_ends)
        at_mode = block.weights * by.d1
        leverage = np.einsum("ij,jk,ik->i", mode.columns, mode.inverse, mode.columns)
        bend = 0.5 * leverage * block.weights
        on_upper = block.weights * mode.terms.upper[0] + bend * by.d2_ends[0]
        on_lower = -block.weights * mode.terms.lower[0] + bend * by.d2_ends[1]
        gradient = np.empty(len(point))
        gradient[:by_linear] = on_upper @ block.upper + on_lower @ block.lower
        for kind in range(self.n_kinds):
            own = self._kind == kind
            shifted = self._members[:, own] @ mode.u[own]
            lean = mode.columns @ mode.inverse[:, own]
            spread = np.sum(self._members[:, own] * lean, axis=1)
            gradient[by_linear + kind] = -at_mode @ shifted - mode.weight @ spread
        gradient -= (bend * by.d3) @ shift_by
        return self._value(mode), gradient

    def _movements(
        self, mode: _Mode, d1_ends: tuple[FloatArray, FloatArray]
    ) -> tuple[FloatArray, int]:
        """Return how each look's shift moves with the parameters, shape (n, q + c)."""
        block, w = self._block, self._block.weights
        q = block.upper.shape[1]
        d1 = mode.terms.upper[0] - mode.terms.lower[0]
        by_look = block.upper * (w * d1_ends[0])[:, None]
        by_look += block.lower * (w * d1_ends[1])[:, None]
        pull = np.empty((len(mode.u), q + self.n_kinds))
        pull[:, :q] = -mode.columns.T @ by_look
        direct = np.zeros((len(w), q + self.n_kinds))
        for kind in range(self.n_kinds):
            own = self._kind == kind
            shifted = self._members[:, own] @ mode.u[own]
            pull[:, q + kind] = -mode.columns.T @ (mode.weight * shifted)
            pull[own, q + kind] -= self._members[:, own].T @ (w * d1)
            direct[:, q + kind] = shifted
        return mode.columns @ (mode.inverse @ pull) + direct, q

    def evaluate(self, point: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and differenced Hessian."""
        value, gradient = self.gradient(point)
        return Evaluation(value, gradient, differenced_hessian(self, point))

    @np.errstate(all="ignore")
    def _mode(self, point: FloatArray) -> _Mode:
        try:
            return self._climb_to_mode(point)
        except np.linalg.LinAlgError:
            nothing = np.full(len(self._members), np.nan)
            terms = IntervalTerms(nothing, (nothing,) * 3, (nothing,) * 3)
            return _nowhere(np.zeros_like(self._u), self._members, terms)

    def _climb_to_mode(self, point: FloatArray) -> _Mode:
        block, q = self._block, self._block.upper.shape[1]
        lower = block.lower @ point[:q] + block.lower_offset
        upper = block.upper @ point[:q] + block.upper_offset
        columns = self._members * point[q:][self._kind]
        step, u, best = np.zeros_like(self._u), self._u.copy(), -np.inf
        weight = np.full(len(lower), np.nan)
        for _ in range(_MODE_ITERATIONS):
            trial = u + step
            shift = columns @ trial
            terms = interval_terms(self.link, lower - shift, upper - shift, 3)
            joint = float(block.weights @ terms.log_p) - 0.5 * float(trial @ trial)
            if not joint >= best - 1e-12 * (1.0 + abs(joint)):
                step = 0.5 * step
                continue
            best, u = joint, trial
            first, second = move_together(terms)
            weight = -block.weights * second
            precision = _precision(columns, np.maximum(weight, 0.0))
            if not np.all(np.isfinite(precision)):
                return _nowhere(u, columns, terms)
            slope = -columns.T @ (block.weights * first) - u
            step = np.asarray(np.linalg.solve(precision, slope), dtype=np.float64)
            if not np.max(np.abs(step)) > _MODE_TOLERANCE:
                break
        self._u[:] = u if np.isfinite(best) else 0.0
        precision = _precision(columns, weight)
        if not np.all(np.isfinite(precision)):
            return _nowhere(u, columns, terms)
        sign, log_det = np.linalg.slogdet(precision)
        if not sign > 0:
            return _nowhere(u, columns, terms)
        inverse = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        return _Mode(u, columns, inverse, float(log_det), weight, terms)


def _precision(columns: FloatArray, weight: FloatArray) -> FloatArray:
    return np.asarray(np.eye(columns.shape[1]) + columns.T @ (columns * weight[:, None]))


def _nowhere(u: FloatArray, columns: FloatArray, terms: IntervalTerms) -> _Mode:
    """Stand for a point where there is no mode; its value is minus infinity."""
    inverse = np.full((len(u), len(u)), np.nan)
    return _Mode(u, columns, inverse, np.inf, terms.log_p, terms)
