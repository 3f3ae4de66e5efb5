r"""From unconstrained numbers to thresholds, coefficients and standard deviations.

The grades are laid out on the coded temperature scale: a place :math:`m` of
their middle, positive widths :math:`g_k`, and a steepness :math:`s` (latent
units per half fired range). Thresholds are :math:`\theta_j = s\,\pi_j` with
:math:`\pi_{j+1} - \pi_j = g_j` and mean :math:`m`; a coefficient is
:math:`\beta_k = s\,\delta_k`, where :math:`\delta` of the temperature is 1 and
that of the dwell is positive. So what the edges are in degC hardly depends on
how steep the stages pass, and heat never un-fuses glass.

How steep is stated of first looks. Where tiles were looked at again, what a tile keeps of
its deviation is a share of that: the looks at one tile pass the steeper, the more of it
it keeps (`priors.first_look_spread`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import expit

from firelab.arrays import FloatArray
from firelab.fits.ordinal.middle_prior import place_prior
from firelab.fits.ordinal.priors import (
    Priors,
    RandomEffect,
    deviation_words,
    dwell_half_degC,
    first_look_spread,
    half_normal,
    half_range_degC,
    inner_widths,
    latent_scale,
    latent_sd,
    prior_steepness,
    prior_words,
    random_effects,
)
from firelab.fits.ordinal.warming_up import HeatScale, WarmingUp
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import DWELL, DWELL_SQUARED, TEMPERATURE, ModelColumn

_POSITIVE = (TEMPERATURE, DWELL)
_LARGEST_LOG = 12.0
"""Of a logarithm that is raised: beyond it a posterior point is meaningless, and the
density must still be a number."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageParameters:
    """Parameters of the stage model at M points.

    Attributes
    ----------
    thresholds : ndarray, shape (M, J - 1)
    coefficients : ndarray, shape (M, p)
    sd : ndarray, shape (M, E)
        Of each random effect, latent units.
    by_score : ndarray, shape (M, E)
        What each changes by with its normal score.
    slip : ndarray, shape (M,)
        Probability that a look is a slip; 0 where the model has none.
    lost : ndarray, shape (M,)
        Times the warming up of the blank that a firing loses.
    steepness : ndarray, shape (M,)
        Latent units per half range of the steepest column, for a look at a known tile.
    at_heat : HeatScale or None
        Where the square of dwell is tied to what a firing loses.
    """

    thresholds: FloatArray
    coefficients: FloatArray
    sd: FloatArray
    by_score: FloatArray
    slip: FloatArray
    lost: FloatArray
    steepness: FloatArray
    at_heat: HeatScale | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parameterisation:
    """Where each of the q unconstrained parameters stands.

    Order: place, J - 2 log widths, log steepness of first looks (where there is a column
    of temperature or dwell to carry it), one effect per other column, the normal score of
    each random effect's standard deviation, the logit of the probability of a slip, and
    the logarithm of what a firing loses.

    Attributes
    ----------
    n_grades : int
        J.
    columns : tuple of ModelColumn
        Columns of the design matrix, p of them.
    link : str
    carrier : int or None
        Column whose coefficient is the steepness itself.
    fixed_steepness : float
        Latent units, where no column carries it.
    half_degC : float
        What one coded unit of the steepest column is worth, degC.
    effects : tuple of RandomEffect
        E of them.
    has_slips, has_lost : bool
        Whether looks can be slips, and whether what a firing loses counts: tiles were
        fired on, or the time at heat is a column.
    at_heat : WarmingUp or None
        Ties the coefficient of the square of dwell to that of dwell (see `warming_up`);
        None where it is free, or there is none.
    tied : int or None
        Column whose coefficient follows from that of the dwell.
    tile : int or None
        Place of the tile among the effects.
    steepness_at : int or None
        Place of the log steepness, None where it is fixed.
    coefficients_at : tuple of int
        Place of each column's own parameter; -1 for the carrier and the tied one.
    sd_at, slip_at, lost_at : int
        Place of the first standard deviation's score, and, where the model has them, of
        the logit of a slip and the logarithm of what a firing loses.
    """

    n_grades: int
    columns: tuple[ModelColumn, ...]
    link: str
    carrier: int | None
    fixed_steepness: float
    half_degC: float
    effects: tuple[RandomEffect, ...]
    has_slips: bool
    has_lost: bool
    at_heat: WarmingUp | None = None

    tied: int | None = field(init=False)
    tile: int | None = field(init=False)
    steepness_at: int | None = field(init=False)
    coefficients_at: tuple[int, ...] = field(init=False)
    sd_at: int = field(init=False)
    slip_at: int = field(init=False)
    lost_at: int = field(init=False)

    def __post_init__(self) -> None:
        """Work out once where each parameter stands: a density asks thousands of times."""
        n_columns, at = len(self.columns), 1 + self.n_widths
        tied = None if self.at_heat is None else self.columns.index(DWELL_SQUARED)
        object.__setattr__(self, "tied", tied)
        names = [effect.name for effect in self.effects]
        object.__setattr__(self, "tile", names.index("tile") if "tile" in names else None)
        object.__setattr__(self, "steepness_at", None if self.carrier is None else at)
        at += self.carrier is not None
        places = []
        for column in range(n_columns):
            has_none = column in (self.carrier, tied)
            places.append(-1 if has_none else at)
            at += not has_none
        object.__setattr__(self, "coefficients_at", tuple(places))
        sd_at = 1 + self.n_widths + n_columns - (tied is not None)
        slip_at = sd_at + len(self.effects)
        object.__setattr__(self, "sd_at", sd_at)
        object.__setattr__(self, "slip_at", slip_at)
        object.__setattr__(self, "lost_at", slip_at + self.has_slips)

    @property
    def n_widths(self) -> int:
        """Number of inner grades, J - 2."""
        return self.n_grades - 2

    @property
    def n_parameters(self) -> int:
        """Number of unconstrained parameters, q."""
        return self.lost_at + self.has_lost

    def is_positive(self, column: int) -> bool:
        """Tell whether a column's coefficient can only fuse further."""
        return self.columns[column] in _POSITIVE

    def stage_parameters(self, points: FloatArray) -> StageParameters:
        """Return the parameters of the model at (M, q) points."""
        sd, by_score = half_normal(points[:, self._sds], 1.0)
        steepness = self._steepness(points)
        if self.tile is not None:
            tile_sd = sd[:, self.tile] * self.effects[self.tile].scale
            steepness = steepness * first_look_spread(tile_sd, self.link)
        coefficients = np.empty((len(points), len(self.columns)))
        for column, at in enumerate(self.coefficients_at):
            if at < 0:
                coefficients[:, column] = steepness
                continue
            raw = points[:, at]
            share = _exp(raw) if self.is_positive(column) else raw
            coefficients[:, column] = steepness * share
        count, none = len(points), np.zeros(len(points))
        lost = _exp(points[:, self.lost_at]) if self.has_lost else np.ones(count)
        scale = None if self.at_heat is None else self.at_heat.scale(lost)
        if scale is not None:
            own = coefficients[:, self.columns.index(DWELL)]
            coefficients[:, self.tied] = -scale.bend * own
        scales = self._scales(steepness)
        return StageParameters(
            thresholds=steepness[:, None] * self._places(points),
            coefficients=coefficients,
            sd=sd * scales,
            by_score=by_score * scales,
            slip=expit(points[:, self.slip_at]) if self.has_slips else none,
            lost=lost,
            steepness=steepness,
            at_heat=scale,
        )

    def gradient(
        self,
        points: FloatArray,
        stage: StageParameters,
        by_threshold: FloatArray,
        by_coefficient: FloatArray,
        by_sd: FloatArray,
        by_slip: FloatArray | None = None,
        by_lost: FloatArray | None = None,
    ) -> FloatArray:
        """Turn a gradient by the model's parameters into one by the points, (M, q).

        Parameters
        ----------
        points : ndarray, shape (M, q)
            Where the gradient was taken.
        stage : StageParameters
            ``self.stage_parameters(points)``.
        by_threshold : ndarray, shape (M, J - 1)
        by_coefficient : ndarray, shape (M, p)
        by_sd : ndarray, shape (M, E)
        by_slip, by_lost : ndarray, shape (M,), optional
            Where the model has them.
        """
        out, steepness = np.zeros_like(points), stage.steepness
        scale = stage.at_heat
        if scale is not None and by_lost is not None:
            by_coefficient, dwell = by_coefficient.copy(), self.columns.index(DWELL)
            by_tied = by_coefficient[:, self.tied]
            by_lost = by_lost - by_tied * scale.by_lost[2] * stage.coefficients[:, dwell]
            by_coefficient[:, dwell] -= scale.bend * by_tied
            by_coefficient[:, self.tied] = 0.0
        out[:, 0] = steepness * by_threshold.sum(axis=1)
        if self.n_widths:
            above = by_threshold[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1:]
            k = np.arange(1, self.n_grades - 1)
            share = (self.n_grades - 1 - k) / (self.n_grades - 1)
            centred = above - share * by_threshold.sum(axis=1)[:, None]
            widths = _exp(points[:, 1 : 1 + self.n_widths])
            out[:, 1 : 1 + self.n_widths] = steepness[:, None] * widths * centred
        by_log = (by_threshold * stage.thresholds).sum(axis=1)
        by_log += (by_coefficient * stage.coefficients).sum(axis=1)
        by_log += (by_sd * stage.sd).sum(axis=1)
        for column, at in enumerate(self.coefficients_at):
            if at < 0:
                continue
            own = stage.coefficients[:, column] if self.is_positive(column) else steepness
            out[:, at] = by_coefficient[:, column] * own
        out[:, self._sds] = by_sd * stage.by_score
        if self.tile is not None:
            tile_sd, by_score = stage.sd[:, self.tile], stage.by_score[:, self.tile]
            by_log -= by_sd[:, self.tile] * tile_sd
            steeper = tile_sd * by_score / (latent_sd(self.link) ** 2 + tile_sd**2)
            out[:, self.sd_at + self.tile] += by_log * steeper
        if self.steepness_at is not None:
            out[:, self.steepness_at] = by_log
        if self.has_slips and by_slip is not None:
            out[:, self.slip_at] = by_slip * stage.slip * (1.0 - stage.slip)
        if self.has_lost and by_lost is not None:
            out[:, self.lost_at] = by_lost * stage.lost
        return out

    @property
    def _sds(self) -> slice:
        return slice(self.sd_at, self.slip_at)

    def _scales(self, steepness: FloatArray) -> FloatArray:
        """Return what the scales of the effects are in latent units, shape (M, E)."""
        stated = np.array([effect.scale for effect in self.effects])
        scales = steepness[:, None] * stated / self.half_degC
        if self.tile is not None:
            scales[:, self.tile] = stated[self.tile]
        return np.asarray(scales)

    def _steepness(self, points: FloatArray) -> FloatArray:
        at = self.steepness_at
        if at is None:
            return np.full(len(points), self.fixed_steepness)
        return _exp(points[:, at])

    def _places(self, points: FloatArray) -> FloatArray:
        widths = _exp(points[:, 1 : 1 + self.n_widths])
        steps = np.zeros((len(points), self.n_grades - 1))
        np.cumsum(widths, axis=1, out=steps[:, 1:])
        return np.asarray(points[:, :1] + steps - steps.mean(axis=1, keepdims=True))


def _exp(logs: FloatArray) -> FloatArray:
    return np.exp(np.clip(logs, -_LARGEST_LOG, _LARGEST_LOG))


def parameterise(
    series: FiringSeries,
    columns: tuple[ModelColumn, ...],
    *,
    link: str,
    effects: tuple[str, ...] = ("load",),
    has_slips: bool = False,
    has_lost: bool = False,
    at_heat: WarmingUp | None = None,
) -> Parameterisation:
    """Lay out the parameters of a stage fit.

    Parameters
    ----------
    series : FiringSeries
    columns : tuple of ModelColumn
    link : str
    effects : tuple of str
        Names of the random effects.
    has_slips, has_lost : bool, default False
        `has_lost`: tiles were fired on.
    at_heat : WarmingUp, optional
        Where the last column is that of warming up.
    """
    carriers = [columns.index(column) for column in _POSITIVE if column in columns]
    return Parameterisation(
        n_grades=len(series.responses.stage.grades),
        columns=columns,
        link=link,
        carrier=carriers[0] if carriers else None,
        fixed_steepness=prior_steepness(series, columns)[0] * latent_scale(link),
        half_degC=half_range_degC(series, columns),
        effects=random_effects(series.priors, effects, link),
        has_slips=has_slips,
        has_lost=has_lost or at_heat is not None,
        at_heat=at_heat,
    )


def make_priors(series: FiringSeries, layout: Parameterisation, *, link: str) -> Priors:
    """Set the series' priors on the parameters of a stage fit."""
    stated, unit, q = series.priors, latent_scale(link), layout.n_parameters
    half_degC = layout.half_degC
    mean, sd = np.zeros(q), np.ones(q)
    place = place_prior(series, layout.columns)
    mean[0], sd[0] = place.mean, place.sd
    if layout.n_widths:
        inner = slice(1, 1 + layout.n_widths)
        widths, sd[inner] = inner_widths(series)
        mean[inner] = np.log(widths / half_degC)
    at_steepness = layout.steepness_at
    if at_steepness is not None:
        median, sd[at_steepness] = prior_steepness(series, layout.columns)
        mean[at_steepness] = np.log(median * unit)
    for column, at in enumerate(layout.coefficients_at):
        if at < 0:
            continue
        if layout.is_positive(column):
            mean[at] = np.log(dwell_half_degC(series) / half_degC)
            sd[at] = stated.doubling_spread
        else:
            product = layout.columns[column].is_product
            sd[at] = (stated.interaction if product else stated.effect) / half_degC
    if layout.has_slips:
        mean[layout.slip_at] = np.log(stated.slip / (1.0 - stated.slip))
        sd[layout.slip_at] = stated.slip_spread
    if layout.has_lost:
        mean[layout.lost_at] = np.log(stated.lost)
        sd[layout.lost_at] = stated.lost_spread
    return Priors(mean=mean, sd=sd, words=_words(series, layout, place.words))


def _words(series: FiringSeries, layout: Parameterisation, place: str) -> tuple[str, ...]:
    stated = series.priors
    free = [column for k, column in enumerate(layout.columns) if k != layout.tied]
    words = prior_words(series, free, place)
    words += deviation_words(
        stated, [effect.name for effect in layout.effects], series.kiln.reads
    )
    if layout.has_slips:
        words += (f"a look is a slip: about {stated.slip:.0%}",)
    if layout.at_heat is not None:
        words += (
            f"warming up takes {stated.lost:.2g} times "
            f"{layout.at_heat.warm_up_s:.0f} s off every dwell (sd of its log "
            f"{stated.lost_spread:.2g}); tiles fuse in the rest",
        )
    elif layout.has_lost:
        words += (
            "each earlier firing of a tile counts for less than its dwell, by "
            f"{stated.lost:.2g} times the time that the blank takes to warm up",
        )
    return words
