r"""The log probability of a grade and its derivatives with respect to both ends.

A grade is the interval from :math:`a` to :math:`b` of the latent scale,
:math:`P = F(b) - F(a)`. With :math:`B_m = F^{(m)}(b)/P` and
:math:`A_m = F^{(m)}(a)/P` every derivative of :math:`\ln P` is a polynomial:
:math:`\partial_b = B_1`, :math:`\partial_a = -A_1`,
:math:`\partial_{bb} = B_2 - B_1^2`, :math:`\partial_{ab} = A_1 B_1`,
:math:`\partial_{aa} = -A_2 - A_1^2`. The ratios are formed from logarithms, so
they stay right where :math:`P` underflows.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit

from firelab.fits.ordinal.links import Link

FloatArray = NDArray[np.float64]


class IntervalTerms(NamedTuple):
    """Log probability and scaled derivatives of :math:`F` at both ends, one shape.

    Attributes
    ----------
    log_p : ndarray
        Log probability of the interval.
    upper, lower : tuple of ndarray
        :math:`(B_1, B_2, ...)` and :math:`(A_1, A_2, ...)`, as many as asked.
    """

    log_p: FloatArray
    upper: tuple[FloatArray, ...]
    lower: tuple[FloatArray, ...]


def interval_terms(
    link: Link, lower: FloatArray, upper: FloatArray, order: int
) -> IntervalTerms:
    """Return the log probability of intervals and their scaled derivatives.

    Parameters
    ----------
    link : Link
    lower, upper : ndarray, one shape
        Ends with ``lower < upper``; either may be infinite.
    order : {0, 1, 2, 3}
        Highest derivative of the distribution function wanted.

    Returns
    -------
    IntervalTerms
        Not finite where the ends are out of order; the optimiser steps back.
    """
    with np.errstate(all="ignore"):
        if link.name == "logit":
            return _logit_terms(lower, upper, order)
        return _general_terms(link, lower, upper, order)


def _logit_terms(lower: FloatArray, upper: FloatArray, order: int) -> IntervalTerms:
    gap = -np.expm1(lower - upper)
    below_b, below_a = expit(upper), expit(lower)
    above_b, above_a = expit(-upper), expit(-lower)
    log_p = np.log(below_b * above_a * gap)
    sunk = log_p < -600.0
    if sunk.any():
        exact = log_expit(upper) + log_expit(-lower) + np.log(gap)
        log_p = np.where(sunk, exact, log_p)
    if order == 0:
        return IntervalTerms(log_p, (), ())
    first_b = above_b / (above_a * gap)
    first_a = below_a / (below_b * gap)
    up, low = [first_b], [first_a]
    if order > 1:
        up.append(first_b * (above_b - below_b))
        low.append(first_a * (above_a - below_a))
    if order > 2:
        up.append(first_b * (1.0 - 6.0 * above_b * below_b))
        low.append(first_a * (1.0 - 6.0 * above_a * below_a))
    return IntervalTerms(log_p, tuple(up), tuple(low))


def _general_terms(
    link: Link, lower: FloatArray, upper: FloatArray, order: int
) -> IntervalTerms:
    log_p = link.log_interval(lower, upper)
    if order == 0:
        return IntervalTerms(log_p, (), ())
    return IntervalTerms(
        log_p,
        _end_ratios(link, upper, log_p, order),
        _end_ratios(link, lower, log_p, order),
    )


def _end_ratios(
    link: Link, end: FloatArray, log_p: FloatArray, order: int
) -> tuple[FloatArray, ...]:
    finite = np.isfinite(end)
    inside = np.where(finite, end, 0.0)
    first = np.where(finite, np.exp(link.log_pdf(inside) - log_p), 0.0)
    ratios = [first]
    if order > 1:
        ratios.append(_product(first, link.slope_ratio(inside)))
    if order > 2:
        ratios.append(_product(first, link.curvature_ratio(inside)))
    return tuple(ratios)


def _product(first: FloatArray, ratio: FloatArray) -> FloatArray:
    """Multiply, with 0 where the density has underflowed and its ratio overflowed."""
    return np.where(first == 0.0, 0.0, first * ratio)


def move_together(terms: IntervalTerms) -> tuple[FloatArray, FloatArray]:
    """Return first and second derivative of log P as both ends move together."""
    first = terms.upper[0] - terms.lower[0]
    return first, terms.upper[1] - terms.lower[1] - first * first


class MixedDerivatives(NamedTuple):
    """Derivatives of log P: D as both ends move together, then by either end.

    Attributes
    ----------
    d1, d2, d3 : ndarray
        First to third as both ends move together.
    d1_ends, d2_ends : tuple of ndarray
        Derivative of the first and second by the upper and by the lower end.
    """

    d1: FloatArray
    d2: FloatArray
    d3: FloatArray
    d1_ends: tuple[FloatArray, FloatArray]
    d2_ends: tuple[FloatArray, FloatArray]


def mixed_derivatives(terms: IntervalTerms) -> MixedDerivatives:
    """Return the mixed derivatives of log P up to third order."""
    (b1, b2, b3), (a1, a2, a3) = terms.upper, terms.lower
    e1, e2, e3 = b1 - a1, b2 - a2, b3 - a3
    d1_b, d1_a = b2 - e1 * b1, e1 * a1 - a2
    return MixedDerivatives(
        e1,
        e2 - e1 * e1,
        e3 - 3.0 * e1 * e2 + 2.0 * e1**3,
        (d1_b, d1_a),
        (b3 - e2 * b1 - 2.0 * e1 * d1_b, e2 * a1 - a3 - 2.0 * e1 * d1_a),
    )
