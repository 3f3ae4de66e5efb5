r"""What a colour comes to on a piece that is fired several times.

A colour laid before firing f goes through f and all later ones. Its heat adds up as for
tiles that are fired on (`firelab.fits.ordinal.added_heat`): at the temperature :math:`T`
of its hottest firing it stands where one firing of a tile would have brought it, of

.. math:: d - k(T) + \sum_i (d_i - \lambda w(T_i) - k(T_i))^+
    \exp\{r (T_i - T) + (u_i - u)/\beta_d\}

seconds, the sum over the other firings: :math:`k` is by how much later the piece's blank
is warm (`firelab.windows.edges.other_blank`), :math:`\lambda w` what a further firing
loses, :math:`u_i` the deviation of a firing. The deviations of a session, of a firing and
of a place are normal scores that all colours in it share, times what each colour's own
tiles say of their size.
The hottest firing is taken since a cooler one after it can only add.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr, ndtri

from firelab.arrays import FloatArray, IntArray
from firelab.fits.clarity.maturity import ClarityDraws
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.stage_draws import take_draws
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.series.firing_series import Blank
from firelab.series.terms import DWELL, TEMPERATURE
from firelab.windows.edges.other_blank import OtherBlank, other_blank
from firelab.windows.edges.target_at_setting import (
    Plane,
    clarity_at,
    plane_of,
    stage_at,
    surface,
)

if TYPE_CHECKING:
    from firelab.fits.clarity.fit import ClarityFit


_LARGEST_LOG = 60.0
"""Of the worth of a second against another: e to it is beyond any firing (chosen here)."""


_ARRAYS = (
    *("rows", "thresholds", "rate", "by_log_dwell", "lost"),
    *("session_sd", "firing_sd", "place_sd", "tile_sd"),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClearAt:
    """What makes a colour clear enough: draws at its setting, target, sign, half a step."""

    draws: ClarityDraws
    target: float
    sign: int
    half_step: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColourHeat:
    """S draws of one colour at its setting, ready to be fired on a piece.

    Attributes
    ----------
    name : str
    plane : Plane
        Coded temperature and dwell of its series.
    rows : ndarray, shape (S, 9)
        Coefficients of the monomials of the plane.
    thresholds : ndarray, shape (S, J - 1)
    link : str
    grades : tuple of str
        In order, J of them.
    target : tuple of (int, int)
        First and last wanted grade, from 0.
    ready : int
        The grade from which the next colour may be laid.
    rate : ndarray, shape (S,)
        Of fusing, per degC.
    by_log_dwell : ndarray, shape (S,)
        Latent units per unit of ln dwell.
    session_sd, firing_sd, place_sd, tile_sd : ndarray, shape (S,)
        Latent units.
    lost : ndarray, shape (S,)
        Times the tiles' warming up that a firing loses.
    blank : OtherBlank
        The piece's in place of the tiles'; its share by draw.
    clear : ClearAt or None
    """

    name: str
    plane: Plane
    rows: FloatArray
    thresholds: FloatArray
    link: str
    grades: tuple[str, ...]
    target: tuple[int, int]
    ready: int
    rate: FloatArray
    by_log_dwell: FloatArray
    session_sd: FloatArray
    firing_sd: FloatArray
    place_sd: FloatArray
    tile_sd: FloatArray
    lost: FloatArray
    blank: OtherBlank
    clear: ClearAt | None = None

    @property
    def n_draws(self) -> int:
        """Number of draws, S."""
        return int(self.lost.size)

    def take(self, which: IntArray) -> ColourHeat:
        """Return some of the draws, in an order, some perhaps twice."""
        clear = self.clear
        if clear is not None:
            clear = replace(clear, draws=take_draws(clear.draws, which))
        taken: dict[str, Any] = {name: getattr(self, name)[which] for name in _ARRAYS}
        return replace(self, **taken, blank=self.blank.take(which), clear=clear)

    def fired(
        self, temperature_degC: FloatArray, dwell_s: FloatArray, deviation: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return latent grade and score after firings, deviations counted, (S, n) each.

        Parameters
        ----------
        temperature_degC, dwell_s : ndarray, shape (K, n)
            Of the K firings that the colour went through, n choices of them.
        deviation : ndarray, shape (S, K)
            Of each firing, latent units.
        """
        hottest = np.argmax(temperature_degC, axis=0)[None]
        top = np.take_along_axis(temperature_degC, hottest, axis=0)[0]
        at_top = deviation[:, hottest[0]]
        steepness = np.maximum(self.by_log_dwell, 1e-9)[:, None]
        own = np.take_along_axis(dwell_s, hottest, axis=0)[0]
        total = self.blank.tile_dwell(top, own)
        for firing in range(len(temperature_degC) if len(temperature_degC) > 1 else 0):
            T = temperature_degC[firing]
            left = self.blank.tile_dwell(T, dwell_s[firing])
            left -= self.lost[:, None] * self.blank.tiles_warm_up_s(T)
            left = np.where(hottest[0] == firing, 0.0, np.maximum(left, 0.0))
            power = self.rate[:, None] * (T - top)
            power += (deviation[:, firing, None] - at_top) / steepness
            total = total + left * np.exp(np.clip(power, -_LARGEST_LOG, _LARGEST_LOG))
        u, v = self.plane.coded(top, total)
        score = np.zeros((1, 1))
        if self.clear is not None:
            draws = self.clear.draws
            score = draws.intercept[:, None] + surface(draws.coefficients, u, v)
        return surface(self.rows, u, v) + at_top, score

    def deviations(self, scores: Scores) -> FloatArray:
        """Return the deviation of each firing, latent units, shape (S, F)."""
        same = self.session_sd * scores.session + self.place_sd * scores.place
        return np.asarray(same[:, None] + self.firing_sd[:, None] * scores.firing)

    def probability(
        self, last: FloatArray, first: FloatArray | None, score: FloatArray
    ) -> FloatArray:
        """Return P(as wanted) given all deviations but the colour's own, (S, n).

        Parameters
        ----------
        last : ndarray, shape (S, n)
            Latent grade after the last firing.
        first : ndarray or None
            The same after the colour's own firing, where another is laid later: it
            must be ready then. One deviation of its own serves both.
        score : ndarray
            As `fired` returns it.
        """
        cdf, (low, high) = link_named(self.link).cdf, self.target
        floor = np.full_like(last, -np.inf)
        if low > 0:
            floor = self.thresholds[:, low - 1, None] - last
        if first is not None and self.ready > 0:
            floor = np.maximum(floor, self.thresholds[:, self.ready - 1, None] - first)
        chance = 1.0 - cdf(floor)
        if high < self.thresholds.shape[1]:
            chance = cdf(self.thresholds[:, high, None] - last) - cdf(floor)
        chance = np.maximum(chance, 0.0)
        if self.clear is None:
            return chance
        draws = self.clear.draws
        spread = np.maximum(np.hypot(draws.load_sd, draws.residual_sd), 1e-12)[:, None]
        distance = self.clear.sign * (score - self.clear.target) + self.clear.half_step
        return np.asarray(chance * ndtr(distance / spread))

    def maturity(self, latent: FloatArray) -> FloatArray:
        """Return how far latent grades (S,) have come: 0 to 1 over the wanted grades.

        Where nothing lies beyond one end of them, the width is that of the next grade.
        """
        (low, high), cuts = self.target, self.thresholds
        last = cuts.shape[1] - 1
        begins = cuts[:, low - 1] if low > 0 else cuts[:, high] - self._width(high)
        ends = cuts[:, high] if high <= last else begins + self._width(low - 1)
        return np.asarray((latent - begins) / np.maximum(ends - begins, 1e-9))

    def _width(self, cut: int) -> FloatArray:
        """Return the width of a grade next to a threshold; 1 where there is no other."""
        cuts = self.thresholds
        if cuts.shape[1] < 2:
            return np.ones(len(cuts))
        at = min(max(cut, 1), cuts.shape[1] - 1)
        return np.asarray(cuts[:, at] - cuts[:, at - 1])

    def misses(self, last: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return P(not far enough) and P(too far) at latent grades, (S, n) each."""
        cdf, (low, high) = link_named(self.link).cdf, self.target
        under, over = np.zeros_like(last), np.zeros_like(last)
        if low > 0:
            under = cdf(self.thresholds[:, low - 1, None] - last)
        if high < self.thresholds.shape[1]:
            over = 1.0 - cdf(self.thresholds[:, high, None] - last)
        return under, over


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Normal scores that all colours of a piece share, one of each a draw.

    Attributes
    ----------
    session, place : ndarray, shape (S,)
    firing : ndarray, shape (S, F)
    """

    session: FloatArray
    place: FloatArray
    firing: FloatArray


def draw_scores(n_draws: int, n_firings: int, *, rng: np.random.Generator) -> Scores:
    """Draw the deviations of n pieces."""
    return Scores(
        session=rng.standard_normal(n_draws),
        place=rng.standard_normal(n_draws),
        firing=rng.standard_normal((n_draws, n_firings)),
    )


def colour_heat(
    name: str,
    fit: StagePosterior,
    clarity: ClarityFit | None,
    setting: Mapping[str, Any],
    *,
    ready: str,
    blank: Blank,
    rng: np.random.Generator,
) -> ColourHeat:
    """Return the draws of a colour on a blank, in the order of what a firing loses.

    That and the share of the blank's warming up belong to kiln and blank, which all
    colours of a piece have in common: colours so ordered are paired draw by draw.

    Parameters
    ----------
    name : str
    fit : StagePosterior
        With temperature and dwell among its terms.
    clarity : ClarityFit or None
    setting : mapping
        ``mesh, layers, base``.
    ready : str
        Stage at which the next colour may be laid.
    blank : Blank
        Of the piece.
    rng : numpy.random.Generator
        Pairs the draws of colours whose tiles say nothing of the loss.
    """
    series, draws = fit.series, fit.draws
    plane, count = plane_of(series), draws.n_draws
    heat = draws.coefficients[:, fit.columns.index(TEMPERATURE)]
    dwell = draws.coefficients[:, fit.columns.index(DWELL)]
    at = stage_at(series, setting, fit.terms, draws)
    lost = np.broadcast_to(draws.lost, count)
    if np.ptp(lost) == 0.0:
        score = ndtri((np.arange(count) + 0.5) / count)
        law = series.priors.lost * np.exp(series.priors.lost_spread * score)
        lost = rng.permutation(law)
    clear, scale = None, series.responses.transparency
    if clarity is not None and scale is not None:
        clear = ClearAt(
            draws=clarity_at(clarity, setting, count=count),
            target=scale.target,
            sign=scale.sign,
            half_step=scale.step / 2,
        )
    of_session = np.zeros(count)
    if "session" in fit.effects and "load" in fit.effects:
        day, load = (fit.effects[one].sd_degC for one in ("session", "load"))
        of_session = day / np.maximum(np.hypot(day, load), 1e-12)
    by_log_dwell = dwell / plane.dwell.half_width
    found = ColourHeat(
        name=name,
        plane=plane,
        rows=at.coefficients,
        thresholds=draws.thresholds,
        link=draws.link,
        grades=series.responses.stage.grades,
        target=series.responses.stage.target_span,
        ready=series.responses.stage.grades.index(ready),
        rate=heat / plane.temperature.half_width / np.maximum(by_log_dwell, 1e-9),
        by_log_dwell=by_log_dwell,
        session_sd=draws.load_sd * of_session,
        firing_sd=draws.load_sd * np.sqrt(1.0 - of_session**2),
        place_sd=np.broadcast_to(draws.place_sd, count),
        tile_sd=draws.tile_sd,
        lost=lost,
        blank=other_blank(series.blank, blank, count, seed=0),
        clear=clear,
    )
    ordered = found.take(np.argsort(lost, kind="stable"))
    # The shares were made for draws in this order, alike for every colour.
    return replace(ordered, blank=found.blank)


def pair_draws(colours: Sequence[ColourHeat], count: int) -> tuple[ColourHeat, ...]:
    """Return colours with the same number of draws, evenly taken in their order."""
    return tuple(
        one.take(np.linspace(0, one.n_draws - 1, count).round().astype(np.int64))
        for one in colours
    )
