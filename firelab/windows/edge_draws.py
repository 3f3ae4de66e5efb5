r"""Edges draw by draw: where the latent grade crosses what a target needs.

At one dwell :math:`\eta` is linear in temperature (quadratic with a squared
term), so an edge is where a line reaches a value. In draws where it never
does, the edge is infinite: their share still counts in the quantiles.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.windows.fired_range import fired_range
from firelab.windows.target_at_setting import TargetAtSetting, target_at
from firelab.windows.target_span import TargetSpan, target_span

FloatArray = NDArray[np.float64]

_FLAT = 1e-9
_BEND = 1e-6


def fit_edges(
    fit: StagePosterior,
    setting: Mapping[str, Any],
    dwell_s: float,
    *,
    span: TargetSpan | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return low and high edge of a fit at one setting and dwell, draw by draw.

    Parameters
    ----------
    fit : StagePosterior
        With S draws.
    setting : mapping
        ``mesh``, ``layers``, ``base``.
    dwell_s : float
        Total dwell.
    span : TargetSpan, optional
        Of the fit's draws, where it is known already.

    Returns
    -------
    tuple of (ndarray, ndarray), shape (S,)
        degC, not held to the fired range; infinite where there is no edge.
    """
    if span is None:
        first, last = fit.series.responses.stage.target_span
        span = target_span(fit.draws, first, last, fit.series.window.probability)
    target = target_at(fit, setting, span, fired_range(fit.looks))
    return (
        temperature_edges(target, dwell_s, span.low_edge),
        temperature_edges(target, dwell_s, span.high_edge),
    )


def temperature_edges(
    target: TargetAtSetting, dwell_s: float, latent: FloatArray
) -> FloatArray:
    """Return the temperature at which each draw reaches a latent value.

    Parameters
    ----------
    target : TargetAtSetting
        With S draws.
    dwell_s : float
        Total dwell.
    latent : ndarray, shape (S,)
        Wanted value of each draw; infinite values stay so.

    Returns
    -------
    ndarray, shape (S,)
        degC, not held to the fired range; infinite where a draw never gets there.
    """
    _, v = target.plane.coded(0.0, dwell_s)
    powers = float(v) ** np.arange(3)
    polynomial = target.draws.coefficients.reshape(-1, 3, 3) @ powers
    return target.plane.degC(_first_reach(polynomial, latent))


def dwell_edges(
    target: TargetAtSetting, temperature_degC: float, latent: FloatArray
) -> FloatArray:
    """Return the dwell at which each draw reaches a latent value, s, shape (S,).

    As `temperature_edges`, with the temperature held instead of the dwell.
    """
    u, _ = target.plane.coded(temperature_degC, 1.0)
    powers = float(u) ** np.arange(3)
    polynomial = np.einsum("sab,a->sb", target.draws.coefficients.reshape(-1, 3, 3), powers)
    return target.plane.seconds(_first_reach(polynomial, latent))


def _first_reach(polynomial: FloatArray, latent: FloatArray) -> FloatArray:
    """Solve c0 + c1 t + c2 t^2 = latent where it rises, for every draw."""
    start, slope, bend = polynomial.T
    gap = latent - start
    never = np.where(gap > 0, np.inf, -np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = np.where(slope > _FLAT, gap / slope, never)
        under = slope**2 + 4.0 * bend * gap
        root = (-slope + np.sqrt(np.maximum(under, 0.0))) / (2.0 * bend)
    bent = np.where(np.isfinite(gap) & (under > 0), root, never)
    is_bent = np.abs(bend) > _BEND * np.maximum(np.abs(slope), 1.0)
    return np.where(is_bent, bent, straight)


def interval_of(edges: FloatArray, level: float) -> tuple[float, float, float]:
    """Return lower end, median and upper end of edge draws, infinities allowed.

    Examples
    --------
    >>> interval_of(np.array([1.0, 2.0, 3.0, 4.0, np.inf]), 0.6)
    (1.0, 3.0, 4.0)
    """
    tail = (1.0 - level) / 2.0
    low, middle, high = np.quantile(edges, [tail, 0.5, 1.0 - tail], method="inverted_cdf")
    return float(low), float(middle), float(high)
