r"""Links, and the log probability of a grade with its derivatives, exact in the tails.

A tile is graded at or below :math:`j` with probability
:math:`F(\theta_j - \eta)`. Each link holds :math:`F`, its complement, their
logarithms, the density :math:`f` and the ratios :math:`f'/f` and
:math:`f''/f`, which stay finite where :math:`f` itself underflows.

A grade is the interval from :math:`a` to :math:`b` of the latent scale,
:math:`P = F(b) - F(a)`. With :math:`B_m = F^{(m)}(b)/P` and
:math:`A_m = F^{(m)}(a)/P` every derivative of :math:`\ln P` is a polynomial:
:math:`\partial_b = B_1`, :math:`\partial_a = -A_1`,
:math:`\partial_{bb} = B_2 - B_1^2`, :math:`\partial_{ab} = A_1 B_1`,
:math:`\partial_{aa} = -A_2 - A_1^2`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, log_expit, log_ndtr, logit, ndtr, ndtri

from firelab.arrays import FloatArray
from firelab.errors import UsageError

Curve = Callable[[FloatArray], FloatArray]

_NARROW = 1e-4
"""Width of an interval below which it is the density times the width, with the second
derivative's share: what is left out is the fourth power of the width, 1e-16."""
LARGEST_EXPONENT = 300.0
"""Of what is raised: e^300 squared still is a number in double precision."""
_SUNK = -600.0
"""Log probability below which the logistic's exponentials overflow or run out of digits."""
_LOG_SQRT_2PI = 0.5 * np.log(2.0 * np.pi)


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    r"""One distribution function :math:`F` on the real line.

    Every field but the name takes an array of any shape and returns one of the
    same shape; infinite arguments are allowed everywhere but in `slope_ratio`
    and `curvature_ratio`.

    Attributes
    ----------
    name : str
        As a user writes it.
    cdf, survival, log_cdf, log_survival : callable
        :math:`F`, :math:`1 - F` and their logarithms.
    log_pdf : callable
        :math:`\ln f`.
    slope_ratio, curvature_ratio : callable
        :math:`f'/f` and :math:`f''/f`.
    quantile : callable
        Inverse of `cdf`.
    is_symmetric : bool
        Whether the distribution is its own mirror image.
    """

    name: str
    cdf: Curve
    survival: Curve
    log_cdf: Curve
    log_survival: Curve
    log_pdf: Curve
    slope_ratio: Curve
    curvature_ratio: Curve
    quantile: Curve
    is_symmetric: bool = False

    def log_interval(self, lower: ArrayLike, upper: ArrayLike) -> FloatArray:
        r"""Return :math:`\ln(F(u) - F(l))` without cancellation.

        Parameters
        ----------
        lower, upper : array_like, one shape
            Ends with ``lower <= upper``; either may be infinite.

        Returns
        -------
        ndarray
            Minus infinity where the ends meet.

        Examples
        --------
        >>> bool(LINKS["probit"].log_interval(30.0, np.inf) > -455)
        True
        """
        low = np.asarray(lower, dtype=float)
        high = np.asarray(upper, dtype=float)
        upper_half = np.where(np.isfinite(low), low, -1.0) > 0.0
        if self.is_symmetric:
            far = self.log_cdf(np.where(upper_half, -low, high))
            near = self.log_cdf(np.where(upper_half, -high, low))
        else:
            far = np.where(upper_half, self.log_survival(low), self.log_cdf(high))
            near = np.where(upper_half, self.log_survival(high), self.log_cdf(low))
        with np.errstate(divide="ignore", invalid="ignore"):
            wide = far + _log_one_less_exp(near - far)
            width = high - low
            narrow = width < _NARROW
            if not np.any(narrow):
                return np.asarray(wide)
            middle = np.where(narrow, low + 0.5 * width, 0.0)
            bend = self.curvature_ratio(middle) * width * width / 24.0
            thin = self.log_pdf(middle) + np.log(width) + np.log1p(bend)
        return np.where(narrow, thin, wide)


def _log_one_less_exp(x: FloatArray) -> FloatArray:
    """Return log(1 - exp(x)) for x <= 0 (Maechler 2012, log1mexp)."""
    return np.where(x > -0.6931471805599453, np.log(-np.expm1(x)), np.log1p(-np.exp(x)))


def _grown(x: FloatArray) -> FloatArray:
    return np.exp(np.minimum(x, LARGEST_EXPONENT))


def _cloglog_log_cdf(x: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        grown = _grown(x)
        return np.where(x < -30.0, x - 0.5 * grown, _log_one_less_exp(-grown))


def _cloglog_curvature(x: FloatArray) -> FloatArray:
    grown = _grown(x)
    return (1.0 - grown) ** 2 - grown


def _cloglog_quantile(p: FloatArray) -> FloatArray:
    return np.asarray(np.log(-np.log1p(-p)))


def _symmetric(name: str, cdf: Curve, log_cdf: Curve, **rest: Curve) -> Link:
    """Return the link of a distribution that is its own mirror image."""
    return Link(
        name=name,
        cdf=cdf,
        survival=lambda x: cdf(-x),
        log_cdf=log_cdf,
        log_survival=lambda x: log_cdf(-x),
        is_symmetric=True,
        **rest,
    )


_LOGIT = _symmetric(
    "logit",
    expit,
    log_expit,
    log_pdf=lambda x: log_expit(x) + log_expit(-x),
    slope_ratio=lambda x: -np.tanh(0.5 * x),
    curvature_ratio=lambda x: 1.0 - 6.0 * expit(x) * expit(-x),
    quantile=logit,
)

_PROBIT = _symmetric(
    "probit",
    ndtr,
    log_ndtr,
    log_pdf=lambda x: -0.5 * x * x - _LOG_SQRT_2PI,
    slope_ratio=lambda x: -x,
    curvature_ratio=lambda x: x * x - 1.0,
    quantile=ndtri,
)

_CLOGLOG = Link(
    name="cloglog",
    cdf=lambda x: -np.expm1(-_grown(x)),
    survival=lambda x: np.exp(-_grown(x)),
    log_cdf=_cloglog_log_cdf,
    log_survival=lambda x: -_grown(x),
    log_pdf=lambda x: np.minimum(x, LARGEST_EXPONENT) - _grown(x),
    slope_ratio=lambda x: 1.0 - _grown(x),
    curvature_ratio=_cloglog_curvature,
    quantile=_cloglog_quantile,
)

_LOGLOG = Link(
    name="loglog",
    cdf=lambda x: _CLOGLOG.survival(-x),
    survival=lambda x: _CLOGLOG.cdf(-x),
    log_cdf=lambda x: _CLOGLOG.log_survival(-x),
    log_survival=lambda x: _CLOGLOG.log_cdf(-x),
    log_pdf=lambda x: _CLOGLOG.log_pdf(-x),
    slope_ratio=lambda x: -_CLOGLOG.slope_ratio(-x),
    curvature_ratio=lambda x: _CLOGLOG.curvature_ratio(-x),
    quantile=lambda p: -np.log(-np.log(p)),
)

LINKS: dict[str, Link] = {link.name: link for link in (_LOGIT, _PROBIT, _CLOGLOG, _LOGLOG)}
"""Every link by its name; signs as :math:`P(y <= j) = F(theta_j - eta)`."""


def link_named(name: str | Link) -> Link:
    """Return the link of that name; a link is handed back as it is.

    Raises
    ------
    UsageError
        If there is no link of that name.

    Examples
    --------
    >>> link_named("cloglog").name
    'cloglog'
    """
    if isinstance(name, Link):
        return name
    if name not in LINKS:
        raise UsageError(f"there is no link {name!r}", hint=f"one of {', '.join(LINKS)}")
    return LINKS[name]


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
    # e^-u and e^l, the reciprocals of F(u) and 1 - F(l): one exponential an end.
    fallen_b, grown_a = np.exp(-upper), np.exp(lower)
    gap = -np.expm1(lower - upper)
    below_b, above_a = 1.0 / (1.0 + fallen_b), 1.0 / (1.0 + grown_a)
    log_p = np.log(below_b * above_a * gap)
    up: list[FloatArray] = []
    low: list[FloatArray] = []
    if order:
        above_b, below_a = fallen_b * below_b, grown_a * above_a
        up.append(above_b / (above_a * gap))
        low.append(below_a / (below_b * gap))
    if order > 1:
        up.append(up[0] * (above_b - below_b))
        low.append(low[0] * (above_a - below_a))
    if order > 2:
        up.append(up[0] * (1.0 - 6.0 * above_b * below_b))
        low.append(low[0] * (1.0 - 6.0 * above_a * below_a))
    sunk = ~(log_p > _SUNK)
    if sunk.any():
        exact = _general_terms(_LOGIT, lower[sunk], upper[sunk], order)
        ours, theirs = (log_p, *up, *low), (exact.log_p, *exact.upper, *exact.lower)
        for own, right in zip(ours, theirs, strict=True):
            own[sunk] = right
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
