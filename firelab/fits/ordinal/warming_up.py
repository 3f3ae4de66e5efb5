r"""What warming up takes off every dwell, the first firing's too.

A tile of dwell :math:`d` has fused for :math:`h(d) = d - \lambda w`, :math:`w` the warming
up of the blank and :math:`\lambda` a parameter, the same for a tile that is fired on.
Against ln dwell, ln of the time at heat is bent: short dwells lose most. Over the dwells of
a series, coded -1 to +1, it is :math:`v - \kappa v^2` up to a constant and a factor,
exactly so at both ends and in the middle; :math:`\kappa` follows from :math:`\lambda`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.craft.heating import STEPS, heat_integral, tile_body, tile_course
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries, with_part
from firelab.series.terms import DWELL, TEMPERATURE, WARM_UP, term_columns

_LEAST_SHARE = 0.25
"""Share of a dwell that is time at heat at least (chosen here, no source): a tile that
was hardly warm has fused a little all the same."""
_MOST_BEND = 0.3
"""Largest bend, far enough from a half, at which the longest dwell would fuse no further
(chosen here, no source)."""
_ENERGY_KJ_MOL = 300.0
"""Activation energy at which the loss of a traced firing is worked out, the middle of 200
to 400: what is lost differs by a tenth over them (`firelab.craft.heating`)."""
_TRACED_SPREAD = 0.2
"""Standard deviation of ln of the loss that a trace leaves: the enamel's own heat,
emissivity and draught. Chosen here: of 120 kilns that fall by 40 to 120 degC at the door
traces told a tenth too little, give or take a tenth (physics of analyses/working_kiln)."""
_LOSSES = (0.2, 5.0)
"""Least and most that a trace may say (chosen here, no source): a thermocouple in the
wrong place must not take the fit with it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatScale:
    r"""The scale of the time at heat at M values of what warming up takes.

    Attributes
    ----------
    lost : ndarray, shape (M,)
        :math:`\lambda`.
    warm_up_s : float
        w, s.
    middle, half_width : ndarray, shape (M,)
        ln of the time at heat at the middle dwell, and half its range, ln s.
    bend : ndarray, shape (M,)
        :math:`\kappa`.
    by_lost : tuple of ndarray, shape (M,)
        What middle, half width and bend change by with :math:`\lambda`.
    """

    lost: FloatArray
    warm_up_s: float
    middle: FloatArray
    half_width: FloatArray
    bend: FloatArray
    by_lost: tuple[FloatArray, FloatArray, FloatArray]

    def coded(self, dwell_s: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        r"""Return ln of the time at heat as a coded ln dwell, bent as it is.

        Parameters
        ----------
        dwell_s : array_like, shape (M, m)

        Returns
        -------
        tuple of ndarray, shape (M, m)
            The coded value, what it rises by per second and by :math:`\lambda`.
        """
        lost, half = self.lost[:, None], self.half_width[:, None]
        logs, per_s, by_lost = _log_at_heat(
            np.asarray(dwell_s, dtype=float), lost, self.warm_up_s
        )
        coded = (logs - self.middle[:, None]) / half
        of_middle, of_half, _ = (slope[:, None] for slope in self.by_lost)
        return coded, per_s / half, (by_lost - of_middle - coded * of_half) / half


def _log_at_heat(
    dwell_s: FloatArray, lost: FloatArray, warm_up_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ln of the time at heat and its slopes by dwell and by the loss."""
    left, least = dwell_s - lost * warm_up_s, _LEAST_SHARE * dwell_s
    is_left = left > least
    per_s = 1.0 / np.where(is_left, left, dwell_s)
    return (
        np.log(np.maximum(left, least)),
        per_s,
        np.where(is_left, -warm_up_s * per_s, 0.0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmingUp:
    """The time at heat of a series' dwells.

    Attributes
    ----------
    warm_up_s : float
        Of the blank, at mid-range of temperature.
    short_s, long_s : float
        The series' dwells.
    """

    warm_up_s: float
    short_s: float
    long_s: float

    def scale(self, lost: ArrayLike) -> HeatScale:
        """Return the scale at M values of how often the warming up is lost."""
        of = np.asarray(lost, dtype=float)
        dwells = np.array([self.short_s, np.sqrt(self.short_s * self.long_s), self.long_s])
        logs, _, slopes = _log_at_heat(dwells, of[:, None], self.warm_up_s)
        (low, middle, high), (by_low, by_middle, by_high) = logs.T, slopes.T
        half, by_half = (high - low) / 2.0, (by_high - by_low) / 2.0
        bend = (middle - (high + low) / 2.0) / half
        by_bend = (by_middle - (by_high + by_low) / 2.0 - bend * by_half) / half
        return HeatScale(
            lost=of,
            warm_up_s=self.warm_up_s,
            middle=middle,
            half_width=half,
            bend=np.minimum(bend, _MOST_BEND),
            by_lost=(by_middle, by_half, np.where(bend < _MOST_BEND, by_bend, 0.0)),
        )


def warming_up(series: FiringSeries, terms: Sequence[str]) -> WarmingUp | None:
    """Return the time at heat of a series' dwells, where the terms have it."""
    return _warming_up(series) if WARM_UP in terms else None


def _warming_up(series: FiringSeries) -> WarmingUp | None:
    short, long = series.span("dwell")
    warm_up = series.blank.warm_up_s(sum(series.span("temperature")) / 2.0)
    if not (long > short and warm_up > 0.0):
        return None
    return WarmingUp(warm_up_s=warm_up, short_s=short, long_s=long)


def with_warm_up(series: FiringSeries, terms: Sequence[str]) -> tuple[str, ...]:
    """Return terms with that of warming up behind them, where it counts.

    Not where the terms have the square of dwell, which is free to be anything.
    """
    columns = {column.powers for column in term_columns(series, terms)}
    plain = {DWELL.powers, TEMPERATURE.powers} <= columns
    squared = (("dwell", 2),) in columns
    if squared or not plain or _warming_up(series) is None:
        return tuple(terms)
    return (*terms, WARM_UP)


def without_warm_up(terms: Sequence[str]) -> tuple[str, ...]:
    """Return terms without that of warming up."""
    return tuple(term for term in terms if term != WARM_UP)


def with_traced_loss(series: FiringSeries, traced: Mapping[int, float]) -> FiringSeries:
    """Return the series with what traces of the kiln say of the loss in its prior.

    The mean over the loads is joined to the prior by precision.

    Parameters
    ----------
    series : FiringSeries
    traced : mapping of int to float
        As `traced_losses`; where it is empty nothing changes.
    """
    if not traced:
        return series
    stated = series.priors
    own, theirs = stated.lost_spread**-2, _TRACED_SPREAD**-2
    log = own * np.log(stated.lost) + theirs * np.mean(np.log(list(traced.values())))
    lost, spread = float(np.exp(log / (own + theirs))), float((own + theirs) ** -0.5)
    return with_part(series, "priors", lost=lost, lost_spread=spread)


def traced_words(traced: Mapping[int, float]) -> tuple[str, ...]:
    """Say what the traces told of the loss; nothing where there are none."""
    return tuple(
        f"the trace of load {load} says {lost:.1f} times the warming up; the prior holds it"
        for load, lost in traced.items()
    )


def traced_losses(series: FiringSeries, records: Records) -> dict[int, float]:
    """Return by load how many warmings-up of the blank its trace says were lost.

    The tile's own course under the trace is worked out, and what it fused less than a tile
    that is hot at once.
    """
    blank, looks, found = series.blank, records.looks, {}
    for load, trace in records.traces.items():
        of = looks[looks["load"] == load]
        if of.empty:
            continue
        degC, dwell = (float(of[name].iloc[0]) for name in ("temperature_degC", "dwell_s"))
        warm_up = blank.warm_up_s(degC)
        if not warm_up > 0.0:
            continue
        kiln = trace.course(np.linspace(0.0, dwell, 2 * STEPS + 1))
        course = tile_course(kiln, [dwell], tile_body(blank.metal, blank.thickness))
        fused = heat_integral(course, [dwell], _ENERGY_KJ_MOL, degC)
        found[load] = float(np.clip((dwell - float(fused[0])) / warm_up, *_LOSSES))
    return found
