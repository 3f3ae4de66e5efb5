r"""How probable the target is at one setting of mesh, layers and base.

At one mesh, layers and base every column of a model is at most quadratic in
the coded temperature :math:`u` and in the coded ln dwell :math:`v`, so nine
monomials :math:`u^a v^b` say all of it. Recast once, a setting is evaluated
anywhere without building a model matrix again. Where many firings are asked,
the stage probability of each draw is tabulated once and looked up.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from firelab.arrays import BoolArray, FloatArray
from firelab.fits.clarity.maturity import ClarityDraws
from firelab.fits.ordinal.stage_draws import StageDraws, evenly_taken, take_draws
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import is_allowed
from firelab.series.firing_series import Blank, FiringSeries
from firelab.series.terms import Coding, ModelColumn, coding, model_matrix
from firelab.windows.edges.fired_range import FiredRange, fired_range, settings_at
from firelab.windows.edges.other_blank import OtherBlank, other_blank
from firelab.windows.edges.target_span import TargetSpan, inner_probability, target_span

if TYPE_CHECKING:
    from firelab.fits.clarity.fit import ClarityFit


_CELLS = 96
"""Of a table of a stage probability; its error is below 0.001 (a test holds it so)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageTable:
    """P(stage in target) of S draws over each one's range of latent grades.

    Attributes
    ----------
    low, step : ndarray, shape (S, 1)
        First latent value and distance between entries.
    entries : ndarray, shape (S, 97)
    """

    low: FloatArray
    step: FloatArray
    entries: FloatArray

    def at(self, eta: FloatArray) -> FloatArray:
        """Return the probability at latent values, shape (S, n), by interpolation.

        Values beyond the table are held at its ends; the error inside is below
        0.001 (checked in the tests).
        """
        place = np.clip((eta - self.low) / self.step, 0.0, _CELLS - 1e-6)
        cell = place.astype(np.int64)
        left = np.take_along_axis(self.entries, cell, axis=1)
        right = np.take_along_axis(self.entries, cell + 1, axis=1)
        return np.asarray(left + (place - cell) * (right - left))


def _tabulate(draws: StageDraws, first: int, last: int, eta: FloatArray) -> StageTable:
    """Tabulate a target, grades `first` to `last`, over the range of eta, (S, n)."""
    low, high = eta.min(axis=1, keepdims=True), eta.max(axis=1, keepdims=True)
    step = np.maximum(high - low, 1e-9) / _CELLS
    grid = low + step * np.arange(_CELLS + 1)
    return StageTable(
        low=low, step=step, entries=inner_probability(draws, first, last, grid)
    )


_NODES = np.array([-1.0, 0.0, 1.0])
MONOMIALS = tuple(
    ModelColumn(powers=(("temperature", a), ("dwell", b)))
    for a in range(3)
    for b in range(3)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Temperature and dwell of a series as coded coordinates."""

    temperature: Coding
    dwell: Coding

    def coded(
        self, temperature_degC: ArrayLike, dwell_s: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Return coded temperature and coded ln dwell."""
        u = np.asarray(temperature_degC, dtype=float) - self.temperature.centre
        v = np.log(np.asarray(dwell_s, dtype=float)) - self.dwell.centre
        return u / self.temperature.half_width, v / self.dwell.half_width

    def degC(self, u: FloatArray) -> FloatArray:
        """Return temperatures of coded ones."""
        return self.temperature.centre + self.temperature.half_width * u

    def seconds(self, v: FloatArray) -> FloatArray:
        """Return dwells of coded ones; infinite beyond what a number can hold."""
        with np.errstate(over="ignore"):
            return np.asarray(np.exp(self.dwell.centre + self.dwell.half_width * v))


def plane_of(series: FiringSeries) -> Plane:
    """Return the coded plane of a series."""
    return Plane(temperature=coding(series, "temperature"), dwell=coding(series, "dwell"))


def monomials(u: FloatArray, v: FloatArray) -> FloatArray:
    """Return the nine monomials of n points, shape (n, 9)."""
    ones = np.ones_like(u)
    by_u, by_v = np.stack([ones, u, u * u], 1), np.stack([ones, v, v * v], 1)
    return np.asarray((by_u[:, :, None] * by_v[:, None, :]).reshape(len(u), 9))


def surface(coefficients: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Return polynomials, (S, 9) of the monomials, at u, (n,), and v by draw, (S, n)."""
    powers = u ** np.arange(3)[:, None]
    by = np.einsum("sab,an->bsn", coefficients.reshape(-1, 3, 3), powers)
    return np.asarray(by[0] + v * (by[1] + v * by[2]))


def _recast(
    series: FiringSeries,
    setting: Mapping[str, Any],
    columns: Callable[[pd.DataFrame], FloatArray],
    coefficients: FloatArray,
) -> FloatArray:
    """Return coefficients of the monomials, shape (S, 9), of those of some columns."""
    u, v = (axis.ravel() for axis in np.meshgrid(_NODES, _NODES, indexing="ij"))
    plane = plane_of(series)
    frame = settings_at(setting, plane.degC(u), plane.seconds(v))
    at_nodes = np.linalg.solve(monomials(u, v), columns(frame))
    at_nodes[np.abs(at_nodes) < 1e-12] = 0.0
    return np.asarray(coefficients @ at_nodes.T)


def stage_at(
    series: FiringSeries,
    setting: Mapping[str, Any],
    terms: Sequence[str],
    draws: StageDraws,
) -> StageDraws:
    """Return stage draws at a setting, their columns `MONOMIALS`."""
    return replace(
        draws,
        coefficients=_recast(
            series,
            setting,
            lambda frame: model_matrix(series, frame, terms),
            draws.coefficients,
        ),
        columns=MONOMIALS,
    )


def clarity_at(
    clarity: ClarityFit, setting: Mapping[str, Any], *, count: int
) -> ClarityDraws:
    """Return `count` clarity draws at a setting, their columns `MONOMIALS`.

    Where there are fewer draws than that, they are taken again from the first.
    """
    taken = take_draws(clarity.draws, np.arange(count) % clarity.draws.n_draws)
    design = clarity.design
    coefficients = _recast(design.series, setting, design.matrix, taken.coefficients)
    return replace(taken, coefficients=coefficients)


_MEAN_DRAWS = 500
"""Draws that a mean probability averages: within 0.002 (a test holds it so)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TargetAtSetting:
    """The target at one setting, over temperature and dwell.

    Attributes
    ----------
    series : FiringSeries
    setting : mapping
        ``mesh``, ``layers``, ``base``.
    plane : Plane
    draws : StageDraws
        S draws at the setting, columns the monomials of `plane`.
    span : TargetSpan
        Of the draws.
    table : StageTable or None
        P(stage in target) of the draws, looked up where there is a table.
    clarity : ClarityDraws or None
        S draws at the setting; None where no score is wanted.
    fired : FiredRange
    blank : OtherBlank or None
        Where firings are those of a piece and not of the tiles; series and fired range
        are then the piece's, plane and draws the tiles'.
    """

    series: FiringSeries
    setting: Mapping[str, Any]
    plane: Plane
    draws: StageDraws
    span: TargetSpan
    table: StageTable | None
    clarity: ClarityDraws | None
    fired: FiredRange
    blank: OtherBlank | None = None

    def latent(self, temperature_degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return the latent grade of each draw at n firings, shape (S, n)."""
        u, v = self.plane.coded(temperature_degC, dwell_s)
        if self.blank is None:
            return self.draws.linear(monomials(u, v))
        degC, seconds = np.broadcast_arrays(temperature_degC, dwell_s)
        _, v = self.plane.coded(degC, self.blank.tile_dwell(degC, seconds))
        return surface(self.draws.coefficients, u, v)

    def columns(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> FloatArray:
        """Return the monomials of n firings, shape (n, 9).

        On another blank at its median difference: clarity follows it closely enough.
        """
        if self.blank is not None:
            middle = np.median(self.blank.share) * self.blank.difference_s(temperature_degC)
            dwell_s = np.maximum(dwell_s - middle, 1.0)
        return monomials(*self.plane.coded(temperature_degC, dwell_s))

    def tabulated(self) -> TargetAtSetting:
        """Return the target with a table: worth it before many firings are asked."""
        if self.table is not None:
            return self
        first, last = self.series.responses.stage.target_span
        eta = self.latent(*self.fired.grid(5, 5))
        return replace(self, table=_tabulate(self.draws, first, last, eta))

    def probability(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> FloatArray:
        """Return the target's probability in each draw at n firings, shape (S, n)."""
        eta = self.latent(temperature_degC, dwell_s)
        if self.table is not None:
            stage = self.table.at(eta)
        else:
            first, last = self.series.responses.stage.target_span
            stage = inner_probability(self.draws, first, last, eta)
        scale = self.series.responses.transparency
        if self.clarity is None or scale is None:
            return stage
        columns = self.columns(temperature_degC, dwell_s)
        return stage * self.clarity.probability_clear(
            columns, scale.target, scale.sign, scale.step / 2
        )

    def mean_probability(
        self, temperature_degC: FloatArray, dwell_s: FloatArray
    ) -> FloatArray:
        """Return the target's mean probability at many firings, shape (n,).

        Of at most 500 draws, evenly taken, by a table over what was fired.
        """
        which = evenly_taken(self.draws.n_draws, _MEAN_DRAWS)
        few = replace(
            self,
            draws=self.draws.take(which),
            span=take_draws(self.span, which),
            table=self.table and take_draws(self.table, which),
            clarity=self.clarity and take_draws(self.clarity, which),
            blank=self.blank and self.blank.take(which),
        )
        chance = few.tabulated().probability(temperature_degC, dwell_s)
        return np.asarray(chance.mean(axis=0))

    def likely_enough(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> BoolArray:
        """Tell in which draws the target is as probable as asked, shape (S, n)."""
        if self.clarity is not None:
            wanted = self.series.window.probability
            return np.asarray(self.probability(temperature_degC, dwell_s) >= wanted)
        eta = self.latent(temperature_degC, dwell_s)
        return (eta >= self.span.low[:, None]) & (eta <= self.span.high[:, None])

    def allowed(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> BoolArray:
        """Tell which of n firings no rule of the series forbids."""
        if not self.series.rules:
            return np.ones(len(temperature_degC), dtype=bool)
        return is_allowed(self.series, settings_at(self.setting, temperature_degC, dwell_s))


def _all_settings(series: FiringSeries) -> tuple[dict[str, Any], ...]:
    """Return every declared setting of mesh, layers and base."""
    factors = series.factors
    return tuple(
        {"mesh": mesh, "layers": layers, "base": base}
        for mesh, layers, base in itertools.product(
            factors.mesh.levels, factors.layers.levels, factors.base.levels
        )
    )


def targets_of(
    fit: StagePosterior,
    settings: Iterable[Mapping[str, Any]] | None = None,
    clarity: ClarityFit | None = None,
    blank: Blank | None = None,
) -> Iterator[TargetAtSetting]:
    """Bring fits and settings together, as maps, edges and boxes take them.

    Parameters
    ----------
    fit : StagePosterior
    settings : iterable of mapping, optional
        Each of ``mesh``, ``layers``, ``base``; by default all of the series.
    clarity : ClarityFit, optional
        With it, a tile is as wanted only if it is also clear enough.
    blank : Blank, optional
        Of the piece that is asked about, where it is not the tiles'.
    """
    series = asked = fit.series
    first, last = series.responses.stage.target_span
    span = target_span(fit.draws, first, last, series.window.probability)
    fired, other = fired_range(fit.looks), None
    if blank is not None:
        other = other_blank(series.blank, blank, fit.draws.n_draws, seed=series.seed)
        asked, fired = other.series_on(series), other.fired_on(fired, series)
    for setting in _all_settings(series) if settings is None else settings:
        score = None
        if clarity is not None and series.responses.transparency is not None:
            score = clarity_at(clarity, setting, count=fit.draws.n_draws)
        target = TargetAtSetting(
            series=asked,
            setting=setting,
            plane=plane_of(series),
            draws=stage_at(series, setting, fit.terms, fit.draws),
            span=span,
            table=None,
            clarity=score,
            fired=fired,
            blank=other,
        )
        yield target if score is None else target.tabulated()
