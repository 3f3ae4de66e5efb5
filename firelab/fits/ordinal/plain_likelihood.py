"""Log-likelihood of a cumulative link model without load effects.

Gradient and Hessian are analytic, and cells are taken in blocks, so that
memory stays near that of the data.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.grade_design import BLOCK_ROWS, Block, GradeDesign
from firelab.fits.ordinal.interval_terms import IntervalTerms, interval_terms
from firelab.fits.ordinal.links import Link

FloatArray = NDArray[np.float64]


class Evaluation(NamedTuple):
    """A log-likelihood at one point.

    Attributes
    ----------
    value : float
    gradient : ndarray, shape (q,)
    hessian : ndarray, shape (q, q)
        Empty where only value and gradient were asked for.
    """

    value: float
    gradient: FloatArray
    hessian: FloatArray


class Cuts(NamedTuple):
    """Both cuts of some cells, and their derivatives by all parameters."""

    lower: FloatArray
    upper: FloatArray
    by_lower: FloatArray
    by_upper: FloatArray


def place_cuts(design: GradeDesign, block: Block, point: FloatArray) -> Cuts:
    """Return where the cuts of a block lie, and how parameters move them."""
    linear = point[: design.n_linear]
    upper = block.upper @ linear + block.upper_offset
    lower = block.lower @ linear + block.lower_offset
    if not block.scale.shape[1]:
        return Cuts(lower, upper, block.lower, block.upper)
    shrink = np.exp(-block.scale @ point[design.n_linear :])
    upper, lower = upper * shrink, lower * shrink
    return Cuts(
        lower,
        upper,
        _scaled(block.lower, lower, shrink, block.scale),
        _scaled(block.upper, upper, shrink, block.scale),
    )


def _scaled(
    columns: FloatArray, cut: FloatArray, shrink: FloatArray, scale: FloatArray
) -> FloatArray:
    finite = np.where(np.isfinite(cut), cut, 0.0)
    return np.hstack([columns * shrink[:, None], -finite[:, None] * scale])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainLikelihood:
    """The likelihood of independent looks.

    Attributes
    ----------
    design : GradeDesign
    link : Link
    """

    design: GradeDesign
    link: Link
    _kept: tuple[Block, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Keep the block where there is only one."""
        few = len(self.design.y) <= BLOCK_ROWS
        kept = (self.design.block(slice(None)),) if few else ()
        object.__setattr__(self, "_kept", kept)

    def blocks(self) -> Iterable[Block]:
        """Return the cells in blocks."""
        return self._kept or self.design.blocks()

    @np.errstate(all="ignore")
    def value(self, point: FloatArray) -> float:
        """Return the log-likelihood."""
        total = 0.0
        for block in self.blocks():
            cuts = place_cuts(self.design, block, point)
            log_p = interval_terms(self.link, cuts.lower, cuts.upper, 0).log_p
            total += float(block.weights @ log_p)
        return total

    @np.errstate(all="ignore")
    def evaluate(self, point: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        q = self.design.n_parameters
        value, gradient, hessian = 0.0, np.zeros(q), np.zeros((q, q))
        for block in self.blocks():
            cuts = place_cuts(self.design, block, point)
            terms = interval_terms(self.link, cuts.lower, cuts.upper, 2)
            value += float(block.weights @ terms.log_p)
            gradient += _gradient(block.weights, cuts, terms)
            hessian += _hessian(block.weights, cuts, terms)
            if block.scale.shape[1]:
                hessian += _scale_curvature(self.design, block, cuts, terms)
        return Evaluation(value, gradient, hessian)

    def expected_information(self, point: FloatArray) -> FloatArray:
        """Return the expected (Fisher) information, shape (q, q)."""
        q = self.design.n_parameters
        information = np.zeros((q, q))
        for grade in range(self.design.n_grades):
            for block in self.design.blocks(grade=grade):
                cuts = place_cuts(self.design, block, point)
                terms = interval_terms(self.link, cuts.lower, cuts.upper, 1)
                score = cuts.by_upper * terms.upper[0][:, None]
                score -= cuts.by_lower * terms.lower[0][:, None]
                share = block.weights * np.exp(terms.log_p)
                information += score.T @ (score * share[:, None])
        return information


def _gradient(weights: FloatArray, cuts: Cuts, terms: IntervalTerms) -> FloatArray:
    gradient = (weights * terms.upper[0]) @ cuts.by_upper
    return np.asarray(gradient - (weights * terms.lower[0]) @ cuts.by_lower)


def _hessian(weights: FloatArray, cuts: Cuts, terms: IntervalTerms) -> FloatArray:
    b1, b2 = terms.upper
    a1, a2 = terms.lower
    by_b, by_a = cuts.by_upper, cuts.by_lower
    crossed = by_b.T @ (by_a * (weights * a1 * b1)[:, None])
    upper = by_b.T @ (by_b * (weights * (b2 - b1 * b1))[:, None])
    lower = by_a.T @ (by_a * (weights * (a2 + a1 * a1))[:, None])
    return np.asarray(upper - lower + crossed + crossed.T)


def _scale_curvature(
    design: GradeDesign, block: Block, cuts: Cuts, terms: IntervalTerms
) -> FloatArray:
    """Second derivatives of the cuts themselves, which only scale effects have."""
    m = design.n_linear
    slope_b, slope_a = block.weights * terms.upper[0], -block.weights * terms.lower[0]
    curvature = np.zeros((design.n_parameters, design.n_parameters))
    for by, slope in ((cuts.by_upper, slope_b), (cuts.by_lower, slope_a)):
        mixed = -(by * slope[:, None]).T @ block.scale
        curvature[:, m:] += mixed
        curvature[m:, :m] += mixed[:m].T
    return curvature
