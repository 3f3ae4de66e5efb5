r"""Edges of the window: their posterior draws and their credible intervals.

At one dwell :math:`\eta` is linear in temperature (quadratic with a squared
term), so an edge is where a line reaches a value. In draws where it never
does, the edge is infinite: their share still counts in the quantiles. Edges
beyond what was fired are censored, never extrapolated.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from firelab.arrays import FloatArray
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.windows.edges.fired_range import declared_dwells
from firelab.windows.edges.target_at_setting import TargetAtSetting, targets_of
from firelab.windows.setting_window import DwellEdges, EdgeInterval, Edges

_FLAT = 1e-9
"""Slope below which a draw never crosses a value, latent units per coded unit
(chosen here, no source: a rounding error)."""
_BEND = 1e-6
"""Share of the slope below which a squared term is none (chosen here, no source)."""

_CLOSINGS = 4
"""Of an edge on another blank (chosen here; the last moves it by less than 0.01 degC)."""


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
    rows = target.draws.coefficients.reshape(-1, 3, 3)
    _, v = target.plane.coded(0.0, dwell_s)
    edges = target.plane.degC(_first_reach(rows @ float(v) ** np.arange(3), latent))
    if target.blank is None:
        return edges
    for _ in range(_CLOSINGS):
        # How much later the blank is warm depends on the edge itself, and hardly.
        alone = target.blank.tile_dwell(edges[:, None], np.array([dwell_s]))
        _, at_edge = target.plane.coded(0.0, alone[:, 0])
        polynomial = np.einsum("sab,sb->sa", rows, at_edge[:, None] ** np.arange(3))
        edges = target.plane.degC(_first_reach(polynomial, latent))
    return edges


def dwell_edges(
    target: TargetAtSetting, temperature_degC: float, latent: FloatArray
) -> FloatArray:
    """Return the dwell at which each draw reaches a latent value, s, shape (S,).

    As `temperature_edges`, with the temperature held instead of the dwell.
    """
    u, _ = target.plane.coded(temperature_degC, 1.0)
    powers = float(u) ** np.arange(3)
    polynomial = np.einsum("sab,a->sb", target.draws.coefficients.reshape(-1, 3, 3), powers)
    seconds = target.plane.seconds(_first_reach(polynomial, latent))
    if target.blank is None:
        return seconds
    later = target.blank.share * target.blank.difference_s(temperature_degC)
    return np.asarray(np.maximum(seconds + later, 0.0))


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


_NO_LOW = EdgeInterval(reason="no low edge: the target is the lowest grade")
_NO_HIGH = EdgeInterval(reason="no high edge: the target is the last grade")


def edges_at(target: TargetAtSetting, dwell_s: float) -> Edges:
    """Return low and high edge at one dwell, degC with their intervals."""
    ends = target.fired.coolest_degC, target.fired.hottest_degC
    sides = "below the fired range", "above the fired range"
    low, high = _both_edges(target, temperature_edges, dwell_s, ends, sides)
    return Edges(dwell_s=dwell_s, low_degC=low, high_degC=high)


def dwells_at(target: TargetAtSetting, temperature_degC: float) -> DwellEdges:
    """Return shortest and longest dwell at one temperature, s with their intervals."""
    ends = target.fired.shortest_s, target.fired.longest_s
    sides = "shorter than was fired", "longer than was fired"
    low, high = _both_edges(target, dwell_edges, temperature_degC, ends, sides)
    return DwellEdges(temperature_degC=temperature_degC, low_s=low, high_s=high)


def _both_edges(
    target: TargetAtSetting,
    edges_of: Callable[[TargetAtSetting, float, FloatArray], FloatArray],
    held: float,
    ends: tuple[float, float],
    sides: tuple[str, str],
) -> Iterator[EdgeInterval]:
    """Yield low and high edge with temperature or dwell held, as `censor` tells them."""
    for latent in (target.span.low_edge, target.span.high_edge):
        if np.isneginf(latent).all():
            yield _NO_LOW
        elif np.isposinf(latent).all():
            yield _NO_HIGH
        else:
            edges = edges_of(target, held, latent)
            yield censor(edges, target.series.window.level, ends, sides)


def censor(
    edges: FloatArray, level: float, ends: tuple[float, float], sides: tuple[str, str]
) -> EdgeInterval:
    """Summarise edge draws, censored to what was fired.

    Parameters
    ----------
    edges : ndarray, shape (S,)
        Infinite values are allowed.
    level : float
        Of the interval.
    ends : tuple of (float, float)
        Lowest and highest value fired.
    sides : tuple of (str, str)
        Words for what lies below and above them.

    Examples
    --------
    >>> edges = np.linspace(690.0, 720.0, 101)
    >>> censor(edges, 0.9, (700.0, 800.0), ("below", "above"))
    EdgeInterval(estimate=705.0, lower=None, upper=718.5, reason='lower end below')
    """
    lower, estimate, upper = interval_of(edges, level)
    inside = [ends[0] <= value <= ends[1] for value in (lower, estimate, upper)]
    reason = None
    if not inside[1]:
        reason = sides[0] if estimate < ends[0] else sides[1]
    elif not all(inside):
        ends_out = [f"lower end {sides[0]}"] * (not inside[0])
        ends_out += [f"upper end {sides[1]}"] * (not inside[2])
        reason = ", ".join(ends_out)
    return EdgeInterval(
        estimate=estimate if inside[1] else None,
        lower=lower if inside[0] else None,
        upper=upper if inside[2] else None,
        reason=reason,
    )


_REACH = 0.5
"""Shares of the series' range beyond it to which an edge's draws are clipped (chosen
here, no source: far enough that it changes no edge that a series could reach)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeName:
    """Which edge: setting, dwell (s) and side."""

    setting: Mapping[str, Any]
    dwell_s: float
    side: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgePosterior:
    """Posterior draws of all edges.

    Attributes
    ----------
    names : tuple of EdgeName, E of them
    draws : ndarray, shape (S, E)
        degC, clipped to half a range beyond the series' own so that a draw
        without an edge does not swamp the others.
    """

    names: tuple[EdgeName, ...]
    draws: FloatArray

    def widths(self, level: float) -> FloatArray:
        """Return the width of each edge's credible interval, degC, shape (E,)."""
        tail = (1.0 - level) / 2.0
        low, high = np.quantile(self.draws, [tail, 1.0 - tail], axis=0)
        return np.asarray(high - low)


def edge_posterior(fit: StagePosterior) -> EdgePosterior:
    """Return the posterior of all edges that a series asks about."""
    series = fit.series
    first, last = series.responses.stage.target_span
    sides = ["low"] if first > 0 else []
    sides += ["high"] if last < fit.draws.thresholds.shape[1] else []
    names, columns = [], []
    for target in targets_of(fit):
        latent = {"low": target.span.low_edge, "high": target.span.high_edge}
        for dwell_s in declared_dwells(series, series.span("dwell")):
            for side in sides:
                names.append(EdgeName(setting=target.setting, dwell_s=dwell_s, side=side))
                columns.append(temperature_edges(target, dwell_s, latent[side]))
    low, high = series.span("temperature")
    reach = _REACH * max(high - low, 1.0)
    clipped = np.clip(np.column_stack(columns), low - reach, high + reach)
    return EdgePosterior(names=tuple(names), draws=clipped)
