"""The edges that a series asks about, draw by draw."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.series.firing_series import FiringSeries
from firelab.windows.edge_draws import fit_edges
from firelab.windows.target_at_setting import all_settings
from firelab.windows.target_span import target_span

FloatArray = NDArray[np.float64]

_REACH = 0.5


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
    """

    names: tuple[EdgeName, ...]
    draws: FloatArray

    def widths(self, level: float) -> FloatArray:
        """Return each edge's interval width as it stands, degC, shape (E,)."""
        tail = (1.0 - level) / 2.0
        low, high = np.quantile(self.draws, [tail, 1.0 - tail], axis=0)
        return np.asarray(high - low)


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
    return EdgeDoubt(names=tuple(names), draws=held)
