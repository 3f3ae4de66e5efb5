r"""The edges that a series asks about, and how a parameter's doubt moves them.

The edges of every setting at every told dwell are regressed, over the
posterior draws, on thresholds and coefficients: the slopes :math:`g` say how
the doubt of the parameters reaches each edge, so that an information :math:`I`
still to come leaves the variance :math:`g^\top(\Lambda + I)^{-1}g` with
:math:`\Lambda` the inverse of the posterior covariance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firelab.fits.stage_draws import StageDraws
from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.series.firing_series import FiringSeries
from firelab.windows.edge_draws import fit_edges
from firelab.windows.target_at_setting import all_settings
from firelab.windows.target_span import target_span

FloatArray = NDArray[np.float64]

_REACH = 0.5
_RIDGE = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeName:
    """Which edge: setting, dwell (s) and side."""

    setting: Mapping[str, Any]
    dwell_s: float
    side: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeDoubt:
    """The doubt of all edges as it stands.

    Attributes
    ----------
    names : tuple of EdgeName, E of them
    draws : ndarray, shape (S, E)
        degC, held to half a range beyond the series' own so that a draw
        without an edge does not swamp the others.
    gradient : ndarray, shape (E, q)
        degC per unit of each threshold and coefficient.
    precision : ndarray, shape (q, q)
        Inverse posterior covariance of thresholds and coefficients.
    """

    names: tuple[EdgeName, ...]
    draws: FloatArray
    gradient: FloatArray
    precision: FloatArray

    def variance_after(self, information: FloatArray) -> FloatArray:
        """Return each edge's explained variance once information has come.

        Parameters
        ----------
        information : ndarray, shape (..., q, q)

        Returns
        -------
        ndarray, shape (..., E)
            degC squared.
        """
        covariance = np.linalg.inv(self.precision + information)
        left: FloatArray = np.einsum(
            "eq,...qr,er->...e", self.gradient, covariance, self.gradient
        )
        return left

    def widths(self, level: float) -> FloatArray:
        """Return each edge's interval width as it stands, degC, shape (E,)."""
        tail = (1.0 - level) / 2.0
        low, high = np.quantile(self.draws, [tail, 1.0 - tail], axis=0)
        return np.asarray(high - low)

    def after(self, information: FloatArray) -> EdgeDoubt:
        """Return the doubt with an information counted in."""
        return EdgeDoubt(
            names=self.names,
            draws=self.draws,
            gradient=self.gradient,
            precision=self.precision + information,
        )


def told_dwells(series: FiringSeries) -> tuple[float, ...]:
    """Return the dwells at which edges count: the levels, or three of a range, s."""
    if series.factors.is_range("dwell"):
        low, high = series.span("dwell")
        return tuple(np.geomspace(low, high, 3).round(1).tolist())
    return tuple(sorted(float(level) for level in series.factors.levels("dwell")))


def edge_doubt(
    fit: StagePosterior, settings: Sequence[Mapping[str, Any]] | None = None
) -> EdgeDoubt:
    """Return the doubt of a fit's edges.

    Parameters
    ----------
    fit : StagePosterior
    settings : sequence of mapping, optional
        Settings whose edges count; by default all of the series.
    """
    series, draws = fit.series, fit.draws
    first, last = series.responses.stage.target_span
    span = target_span(draws, first, last, series.window.probability)
    sides = ["low"] if first > 0 else []
    sides += ["high"] if last < draws.thresholds.shape[1] else []
    names, columns = [], []
    for setting in settings or all_settings(series):
        for dwell_s in told_dwells(series):
            low_high = fit_edges(fit, setting, dwell_s, span=span)
            for side in sides:
                names.append(EdgeName(setting=setting, dwell_s=dwell_s, side=side))
                columns.append(low_high[side == "high"])
    low, high = series.span("temperature")
    reach = _REACH * max(high - low, 1.0)
    held = np.clip(np.column_stack(columns), low - reach, high + reach)
    gradient, precision = _regressed(draws, held)
    return EdgeDoubt(names=tuple(names), draws=held, gradient=gradient, precision=precision)


def _regressed(draws: StageDraws, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    parameters = np.column_stack([draws.thresholds, draws.coefficients])
    centred = parameters - parameters.mean(axis=0)
    covariance = centred.T @ centred / len(centred)
    covariance += _RIDGE * np.trace(covariance) / len(covariance) * np.eye(len(covariance))
    across = (edges - edges.mean(axis=0)).T @ centred / len(centred)
    precision = np.linalg.inv(covariance)
    return across @ precision, precision
