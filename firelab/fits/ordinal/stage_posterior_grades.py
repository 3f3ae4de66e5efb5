r"""Log probability of a grade between two thresholds, and its slopes, in bulk.

`firelab.fits.ordinal.links` is exact to the last bit; here millions of values are
needed at once, so each link has its shortest stable form. An open end is
given as `OPEN` or its negative.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, ndtr

from firelab.errors import UsageError
from firelab.fits.ordinal.links import link_named

FloatArray = NDArray[np.float64]
Interval = Callable[[FloatArray, FloatArray], FloatArray]

OPEN = 1e9
"""A latent value beyond every grade."""
_LEAST = 1e-300
_LARGEST_EXPONENT = 300.0


def _log_one_less_exp_minus(width: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(-np.expm1(-np.maximum(width, 0.0)), _LEAST)))


def _logit_log(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """F(u) - F(l) = F(u) (1 - F(l)) (1 - exp(l - u)) for the logistic F."""
    return np.asarray(
        log_expit(upper) + log_expit(-lower) + _log_one_less_exp_minus(upper - lower)
    )


def _probit_log(lower: FloatArray, upper: FloatArray) -> FloatArray:
    turned = lower > 0.0
    high = np.where(turned, -lower, upper)
    low = np.where(turned, -upper, lower)
    return np.asarray(np.log(np.maximum(ndtr(high) - ndtr(low), _LEAST)))


def _cloglog_log(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """F(u) - F(l) = exp(-e^l) (1 - exp(e^l - e^u)) for the minimum's F."""
    low = np.exp(np.minimum(lower, _LARGEST_EXPONENT))
    high = np.exp(np.minimum(upper, _LARGEST_EXPONENT))
    return np.asarray(_log_one_less_exp_minus(high - low) - low)


def _loglog_log(lower: FloatArray, upper: FloatArray) -> FloatArray:
    return _cloglog_log(-upper, -lower)


_INTERVALS: dict[str, Interval] = {
    "logit": _logit_log,
    "probit": _probit_log,
    "cloglog": _cloglog_log,
    "loglog": _loglog_log,
}
POSTERIOR_LINKS = tuple(_INTERVALS)
"""Links whose density is log-concave, so that a window is one interval."""


def check_link(link: str) -> None:
    """Refuse a link that the posterior does not take.

    Raises
    ------
    UsageError
        If the link is not one of `POSTERIOR_LINKS`.
    """
    if link not in _INTERVALS:
        raise UsageError(
            f"link {link!r} has no posterior", hint=f"one of {', '.join(POSTERIOR_LINKS)}"
        )


def log_between(link: str, lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return log(F(upper) - F(lower)), any shape, floored where it underflows.

    Examples
    --------
    >>> np.exp(log_between("logit", np.array([-1.0]), np.array([1.0]))).round(4)
    array([0.4621])
    """
    return _INTERVALS[link](lower, upper)


def slopes_between(
    link: str, lower: FloatArray, upper: FloatArray, log_value: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the derivatives of `log_between` by its two ends.

    Parameters
    ----------
    link : str
        Name of the link.
    lower, upper : ndarray, one shape
        The ends.
    log_value : ndarray
        ``log_between(link, lower, upper)``.

    Returns
    -------
    tuple of (ndarray, ndarray)
        By `lower` (negative) and by `upper` (positive).
    """
    if link == "logit":
        width = np.minimum(upper - lower, _LARGEST_EXPONENT)
        rest = 1.0 / np.maximum(np.expm1(width), _LEAST)
        return -expit(lower) - rest, expit(-upper) + rest
    log_pdf = link_named(link).log_pdf
    return (
        -np.exp(np.minimum(log_pdf(lower) - log_value, 700.0)),
        np.exp(np.minimum(log_pdf(upper) - log_value, 700.0)),
    )


def logit_load_logs(
    lower: FloatArray, upper: FloatArray, shift: FloatArray, load: NDArray[np.int64]
) -> FloatArray:
    """Return the log likelihood of each load at each node, for the logit.

    The logistic turns a load's likelihood into a product of factors
    ``1 + exp(end) exp(shift)``, so no logarithm is taken per look and node.

    Parameters
    ----------
    lower, upper : ndarray, shape (M, n)
        Ends of each look's grade without the load effect.
    shift : ndarray, shape (M, Q)
        Load effect at each node.
    load : ndarray of int, shape (n,)
        Load of each look, never falling.

    Returns
    -------
    ndarray, shape (M, L, Q)
        Looks that a load contradicts by more than `_CLIP` count that much.
    """
    starts = np.flatnonzero(np.diff(load, prepend=-1))
    apart = _log_one_less_exp_minus(upper - lower)
    whole = np.repeat(np.add.reduceat(apart, starts, axis=1)[:, :, None], shift.shape[1], 2)
    for ends, sign in ((-upper, 1.0), (lower, -1.0)):
        kept = np.flatnonzero(ends.max(axis=0) > -0.5 * OPEN)
        if kept.size:
            _subtract_factors(whole, ends[:, kept], sign * shift, load[kept])
    return whole


_CLIP = 50.0
_BLOCK = 12


def _subtract_factors(
    whole: FloatArray, ends: FloatArray, shift: FloatArray, load: NDArray[np.int64]
) -> None:
    grown = np.exp(np.minimum(ends, _CLIP))[:, :, None]
    grown = grown * np.exp(np.clip(shift, -_CLIP, _CLIP))[:, None, :]
    np.minimum(grown, np.exp(_CLIP), out=grown)
    grown += 1.0
    first = np.flatnonzero(np.diff(load, prepend=-1))
    within = np.arange(load.size) - np.repeat(first, np.diff(np.append(first, load.size)))
    blocks = np.flatnonzero(within % _BLOCK == 0)
    logs = np.log(np.multiply.reduceat(grown, blocks, axis=1))
    loads = load[blocks]
    own = np.flatnonzero(np.diff(loads, prepend=-1))
    whole[:, loads[own]] -= np.add.reduceat(logs, own, axis=1)
