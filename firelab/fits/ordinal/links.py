r"""Links: distributions of the latent grade, kept exact far into their tails.

A tile is graded at or below :math:`j` with probability
:math:`F(\theta_j - \eta)`. Each link holds :math:`F`, its complement, their
logarithms, the density :math:`f` and the ratios :math:`f'/f` and
:math:`f''/f`, which stay finite where :math:`f` itself underflows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, log_expit, log_ndtr, logit, ndtr, ndtri

from firelab.errors import UsageError

FloatArray = NDArray[np.float64]
Curve = Callable[[FloatArray], FloatArray]

_NARROW = 1e-4
_LARGEST_EXPONENT = 300.0
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
    mirror : str
        Link with :math:`F_m(x) = 1 - F(-x)`: the one that a reversed scale of
        grades needs.
    cdf, survival, log_cdf, log_survival : callable
        :math:`F`, :math:`1 - F` and their logarithms.
    log_pdf : callable
        :math:`\ln f`.
    slope_ratio, curvature_ratio : callable
        :math:`f'/f` and :math:`f''/f`.
    quantile : callable
        Inverse of `cdf`.
    """

    name: str
    mirror: str
    cdf: Curve
    survival: Curve
    log_cdf: Curve
    log_survival: Curve
    log_pdf: Curve
    slope_ratio: Curve
    curvature_ratio: Curve
    quantile: Curve

    def pdf(self, x: ArrayLike) -> FloatArray:
        """Return the density."""
        return np.asarray(np.exp(self.log_pdf(np.asarray(x, dtype=float))))

    def pdf_slope(self, x: ArrayLike) -> FloatArray:
        """Return the derivative of the density; 0 at either infinity."""
        return self._times_pdf(x, self.slope_ratio)

    def pdf_curvature(self, x: ArrayLike) -> FloatArray:
        """Return the second derivative of the density; 0 at either infinity."""
        return self._times_pdf(x, self.curvature_ratio)

    def _times_pdf(self, x: ArrayLike, ratio: Curve) -> FloatArray:
        finite = np.isfinite(x)
        inside = np.where(finite, x, 0.0)
        return np.where(finite, np.exp(self.log_pdf(inside)) * ratio(inside), 0.0)

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
    return np.exp(np.minimum(x, _LARGEST_EXPONENT))


def _cloglog_log_cdf(x: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        grown = _grown(x)
        return np.where(x < -30.0, x - 0.5 * grown, _log_one_less_exp(-grown))


def _cloglog_curvature(x: FloatArray) -> FloatArray:
    grown = _grown(x)
    return (1.0 - grown) ** 2 - grown


def _cloglog_quantile(p: FloatArray) -> FloatArray:
    return np.asarray(np.log(-np.log1p(-p)))


def _cauchy_curvature(x: FloatArray) -> FloatArray:
    square = x * x
    return (6.0 * square - 2.0) / (1.0 + square) ** 2


_LOGIT = Link(
    name="logit",
    mirror="logit",
    cdf=expit,
    survival=lambda x: expit(-x),
    log_cdf=log_expit,
    log_survival=lambda x: log_expit(-x),
    log_pdf=lambda x: log_expit(x) + log_expit(-x),
    slope_ratio=lambda x: -np.tanh(0.5 * x),
    curvature_ratio=lambda x: 1.0 - 6.0 * expit(x) * expit(-x),
    quantile=logit,
)

_PROBIT = Link(
    name="probit",
    mirror="probit",
    cdf=ndtr,
    survival=lambda x: ndtr(-x),
    log_cdf=log_ndtr,
    log_survival=lambda x: log_ndtr(-x),
    log_pdf=lambda x: -0.5 * x * x - _LOG_SQRT_2PI,
    slope_ratio=lambda x: -x,
    curvature_ratio=lambda x: x * x - 1.0,
    quantile=ndtri,
)

_CLOGLOG = Link(
    name="cloglog",
    mirror="loglog",
    cdf=lambda x: -np.expm1(-_grown(x)),
    survival=lambda x: np.exp(-_grown(x)),
    log_cdf=_cloglog_log_cdf,
    log_survival=lambda x: -_grown(x),
    log_pdf=lambda x: np.minimum(x, _LARGEST_EXPONENT) - _grown(x),
    slope_ratio=lambda x: 1.0 - _grown(x),
    curvature_ratio=_cloglog_curvature,
    quantile=_cloglog_quantile,
)

_LOGLOG = Link(
    name="loglog",
    mirror="cloglog",
    cdf=lambda x: _CLOGLOG.survival(-x),
    survival=lambda x: _CLOGLOG.cdf(-x),
    log_cdf=lambda x: _CLOGLOG.log_survival(-x),
    log_survival=lambda x: _CLOGLOG.log_cdf(-x),
    log_pdf=lambda x: _CLOGLOG.log_pdf(-x),
    slope_ratio=lambda x: -_CLOGLOG.slope_ratio(-x),
    curvature_ratio=lambda x: _CLOGLOG.curvature_ratio(-x),
    quantile=lambda p: -np.log(-np.log(p)),
)

_CAUCHIT = Link(
    name="cauchit",
    mirror="cauchit",
    cdf=lambda x: np.arctan2(1.0, -x) / np.pi,
    survival=lambda x: np.arctan2(1.0, x) / np.pi,
    log_cdf=lambda x: _log(np.arctan2(1.0, -x) / np.pi),
    log_survival=lambda x: _log(np.arctan2(1.0, x) / np.pi),
    log_pdf=lambda x: -np.log(np.pi) - 2.0 * np.log(np.hypot(1.0, x)),
    slope_ratio=lambda x: -2.0 * x / (1.0 + x * x),
    curvature_ratio=_cauchy_curvature,
    quantile=lambda p: np.tan(np.pi * (p - 0.5)),
)


def _log(x: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.log(x)


LINKS: dict[str, Link] = {
    link.name: link for link in (_LOGIT, _PROBIT, _CLOGLOG, _LOGLOG, _CAUCHIT)
}
"""Every link by its name; signs as :math:`P(y <= j) = F(theta_j - eta)`."""


def link_named(name: str | Link) -> Link:
    """Return the link of that name; a link is handed back as it is.

    Raises
    ------
    UsageError
        If there is no link of that name.

    Examples
    --------
    >>> link_named("cloglog").mirror
    'loglog'
    """
    if isinstance(name, Link):
        return name
    if name not in LINKS:
        raise UsageError(f"there is no link {name!r}", hint=f"one of {', '.join(LINKS)}")
    return LINKS[name]
