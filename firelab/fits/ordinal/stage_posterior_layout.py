r"""From unconstrained numbers to thresholds, effects and deviations.

The grades are laid out on the coded temperature scale: a place :math:`m` of
their middle, positive widths :math:`g_k`, and a steepness :math:`s` (latent
units per half fired range). Thresholds are :math:`\theta_j = s\,\pi_j` with
:math:`\pi_{j+1} - \pi_j = g_j` and mean :math:`m`; an effect is
:math:`\beta_k = s\,\delta_k`, where :math:`\delta` of the temperature is 1 and
that of the dwell is positive. So what the edges are in degC hardly depends on
how steep the stages pass, and heat never un-fuses glass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.priors import (
    Priors,
    dwell_half_degC,
    half_normal,
    half_range_degC,
    latent_scale,
    prior_steepness,
    prior_words,
)
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import DWELL, TEMPERATURE, ModelColumn

FloatArray = NDArray[np.float64]

_POSITIVE = (TEMPERATURE, DWELL)
_LARGEST_LOG = 12.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Natural:
    """Parameters in the model's own terms, of M points.

    Attributes
    ----------
    thresholds : ndarray, shape (M, J - 1)
    coefficients : ndarray, shape (M, p)
    load_sd, tile_sd : ndarray, shape (M,)
    """

    thresholds: FloatArray
    coefficients: FloatArray
    load_sd: FloatArray
    tile_sd: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Where each of the q unconstrained parameters stands.

    Order: place, J - 2 log widths, log steepness (where there is a column of
    temperature or dwell to carry it), one effect per other column, score of the
    load deviation, score of the tile deviation (where there is a tile effect).

    Attributes
    ----------
    n_grades : int
        J.
    columns : tuple of ModelColumn
        Columns of the design matrix, p of them.
    carrier : int or None
        Column whose effect is the steepness itself.
    fixed_steepness : float
        Latent units, where no column carries it.
    has_tiles : bool
        Whether there is a tile effect.
    load_scale, tile_scale : float
        Scales of the half-normal deviations, latent units.
    """

    n_grades: int
    columns: tuple[ModelColumn, ...]
    carrier: int | None
    fixed_steepness: float
    has_tiles: bool
    load_scale: float
    tile_scale: float

    @property
    def n_widths(self) -> int:
        """Number of inner grades, J - 2."""
        return self.n_grades - 2

    @property
    def steepness_at(self) -> int | None:
        """Place of the log steepness, None where it is fixed."""
        return None if self.carrier is None else 1 + self.n_widths

    @property
    def effects_at(self) -> tuple[int, ...]:
        """Place of each column's own effect; -1 for the carrier."""
        at = 1 + self.n_widths + (self.carrier is not None)
        places = []
        for column in range(len(self.columns)):
            carried = column == self.carrier
            places.append(-1 if carried else at)
            at += not carried
        return tuple(places)

    @property
    def load_at(self) -> int:
        """Place of the load deviation's score."""
        own = len(self.columns) - (self.carrier is not None)
        return 1 + self.n_widths + (self.carrier is not None) + own

    @property
    def n_parameters(self) -> int:
        """Number of unconstrained parameters, q."""
        return self.load_at + 1 + self.has_tiles

    def is_positive(self, column: int) -> bool:
        """Tell whether a column's effect can only fuse further."""
        return self.columns[column] in _POSITIVE

    def natural(self, points: FloatArray) -> Natural:
        """Return the parameters of (M, q) points in the model's own terms."""
        steepness = self._steepness(points)
        thresholds = steepness[:, None] * self._places(points)
        coefficients = np.empty((len(points), len(self.columns)))
        for column, at in enumerate(self.effects_at):
            if at < 0:
                coefficients[:, column] = steepness
                continue
            raw = points[:, at]
            share = _exp(raw) if self.is_positive(column) else raw
            coefficients[:, column] = steepness * share
        tile_sd = np.zeros(len(points))
        if self.has_tiles:
            tile_sd = half_normal(points[:, -1], self.tile_scale)[0]
        return Natural(
            thresholds=thresholds,
            coefficients=coefficients,
            load_sd=half_normal(points[:, self.load_at], self.load_scale)[0],
            tile_sd=tile_sd,
        )

    def pull_back(
        self,
        points: FloatArray,
        natural: Natural,
        by_threshold: FloatArray,
        by_coefficient: FloatArray,
        by_load_sd: FloatArray,
        by_tile_sd: FloatArray | None = None,
    ) -> FloatArray:
        """Turn a gradient in natural parameters into one of the unconstrained.

        Parameters
        ----------
        points : ndarray, shape (M, q)
            Where the gradient was taken.
        natural : Natural
            ``self.natural(points)``.
        by_threshold : ndarray, shape (M, J - 1)
            Derivatives by each threshold.
        by_coefficient : ndarray, shape (M, p)
            Derivatives by each coefficient.
        by_load_sd : ndarray, shape (M,)
            Derivative by the load deviation.
        by_tile_sd : ndarray, shape (M,), optional
            Derivative by the tile deviation.

        Returns
        -------
        ndarray, shape (M, q)
        """
        out = np.zeros_like(points)
        steepness = self._steepness(points)
        out[:, 0] = steepness * by_threshold.sum(axis=1)
        if self.n_widths:
            above = by_threshold[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1:]
            k = np.arange(1, self.n_grades - 1)
            share = (self.n_grades - 1 - k) / (self.n_grades - 1)
            centred = above - share * by_threshold.sum(axis=1)[:, None]
            widths = _exp(points[:, 1 : 1 + self.n_widths])
            out[:, 1 : 1 + self.n_widths] = steepness[:, None] * widths * centred
        at_steepness = self.steepness_at
        if at_steepness is not None:
            out[:, at_steepness] = (by_threshold * natural.thresholds).sum(axis=1)
            out[:, at_steepness] += (by_coefficient * natural.coefficients).sum(axis=1)
        for column, at in enumerate(self.effects_at):
            if at < 0:
                continue
            own = natural.coefficients[:, column] if self.is_positive(column) else steepness
            out[:, at] = by_coefficient[:, column] * own
        slope = half_normal(points[:, self.load_at], self.load_scale)[1]
        out[:, self.load_at] = by_load_sd * slope
        if self.has_tiles and by_tile_sd is not None:
            out[:, -1] = by_tile_sd * half_normal(points[:, -1], self.tile_scale)[1]
        return out

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


def make_layout(
    series: FiringSeries, columns: tuple[ModelColumn, ...], *, link: str, has_tiles: bool
) -> Layout:
    """Lay out the parameters of a stage fit with those columns."""
    carriers = [columns.index(name) for name in _POSITIVE if name in columns]
    return Layout(
        n_grades=len(series.responses.stage.grades),
        columns=columns,
        carrier=carriers[0] if carriers else None,
        fixed_steepness=prior_steepness(series, columns)[0] * latent_scale(link),
        has_tiles=has_tiles,
        load_scale=series.priors.load_sd * latent_scale(link),
        tile_scale=series.priors.tile_sd * latent_scale(link),
    )


def make_priors(series: FiringSeries, layout: Layout, *, link: str) -> Priors:
    """Set the series' priors on the parameters of a layout."""
    wish, unit, q = series.priors, latent_scale(link), layout.n_parameters
    half_degC = half_range_degC(series, layout.columns)
    mean, sd = np.zeros(q), np.ones(q)
    mean[0], sd[0] = wish.place, wish.place_spread
    if layout.n_widths:
        inner = slice(1, 1 + layout.n_widths)
        mean[inner] = np.log(wish.grade_width / half_degC * min(1.0, 2.0 / layout.n_widths))
        sd[inner] = wish.grade_width_spread
    at_steepness = layout.steepness_at
    if at_steepness is not None:
        median, sd[at_steepness] = prior_steepness(series, layout.columns)
        mean[at_steepness] = np.log(median * unit)
    for column, at in enumerate(layout.effects_at):
        if at < 0:
            continue
        if layout.is_positive(column):
            mean[at] = np.log(dwell_half_degC(series) / half_degC)
            sd[at] = wish.doubling_spread
        else:
            product = layout.columns[column].is_product
            sd[at] = (wish.interaction if product else wish.effect) / half_degC
    words = list(prior_words(series, link, layout.columns))
    if layout.has_tiles:
        words.append(
            f"deviation between tiles looked at again: half-normal, "
            f"{layout.tile_scale:.2g} units"
        )
    return Priors(mean=mean, sd=sd, words=tuple(words))
