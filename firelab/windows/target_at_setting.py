"""How probable the target is at one setting of mesh, layers and base."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firelab.fits.clarity_draws import ClarityDraws
from firelab.fits.clarity_fit import ClarityFit
from firelab.fits.stage_draws import StageDraws
from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.series.firing_series import FiringSeries
from firelab.windows.fired_range import FiredRange, settings_at
from firelab.windows.setting_surface import (
    Plane,
    clarity_at,
    monomials,
    plane_of,
    some_clarity,
    stage_at,
)
from firelab.windows.stage_table import StageTable, tabulate
from firelab.windows.target_span import TargetSpan, inner_probability

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


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
    """

    series: FiringSeries
    setting: Mapping[str, Any]
    plane: Plane
    draws: StageDraws
    span: TargetSpan
    table: StageTable | None
    clarity: ClarityDraws | None
    fired: FiredRange

    def thinned(self, count: int) -> TargetAtSetting:
        """Return the target with at most `count` draws, evenly taken."""
        kept = np.linspace(0, self.draws.n_draws - 1, min(count, self.draws.n_draws))
        which = kept.round().astype(np.int64)
        return replace(
            self,
            draws=self.draws.some(which),
            span=self.span.some(which),
            table=None if self.table is None else self.table.some(which),
            clarity=None if self.clarity is None else some_clarity(self.clarity, which),
        )

    def tabulated(self) -> TargetAtSetting:
        """Return the target with a table: worth it before many firings are asked."""
        if self.table is not None:
            return self
        first, last = self.series.responses.stage.target_span
        few = self.fired.temperatures[::5], self.fired.dwells[::5]
        grid_T, grid_d = (axis.ravel() for axis in np.meshgrid(*few))
        eta = self.draws.linear(monomials(*self.plane.coded(grid_T, grid_d)))
        return replace(self, table=tabulate(self.draws, first, last, eta))

    def probability(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> FloatArray:
        """Return the target's probability in each draw at n firings, shape (S, n)."""
        columns = monomials(*self.plane.coded(temperature_degC, dwell_s))
        eta = self.draws.linear(columns)
        if self.table is not None:
            stage = self.table.at(eta)
        else:
            first, last = self.series.responses.stage.target_span
            stage = inner_probability(self.draws, first, last, eta)
        scale = self.series.responses.transparency
        if self.clarity is None or scale is None:
            return stage
        return stage * self.clarity.probability_clear(
            columns, scale.target, scale.sign, scale.step / 2
        )

    def likely_enough(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> BoolArray:
        """Tell in which draws the target is as probable as asked, shape (S, n)."""
        if self.clarity is not None:
            wanted = self.series.window.probability
            return np.asarray(self.probability(temperature_degC, dwell_s) >= wanted)
        columns = monomials(*self.plane.coded(temperature_degC, dwell_s))
        eta = self.draws.linear(columns)
        return (eta >= self.span.low[:, None]) & (eta <= self.span.high[:, None])

    def forbidden(self, temperature_degC: FloatArray, dwell_s: FloatArray) -> BoolArray:
        """Tell which of n firings a rule of the series forbids."""
        out = np.zeros(len(temperature_degC), dtype=bool)
        if self.series.rules:
            frame = settings_at(self.setting, temperature_degC, dwell_s)
            for rule in self.series.rules:
                out |= rule.forbids(frame)
        return out


def all_settings(series: FiringSeries) -> tuple[dict[str, Any], ...]:
    """Return every declared setting of mesh, layers and base."""
    factors = series.factors
    return tuple(
        {"mesh": mesh, "layers": layers, "base": base}
        for mesh, layers, base in itertools.product(
            factors.mesh.levels, factors.layers.levels, factors.base.levels
        )
    )


def target_at(
    fit: StagePosterior,
    setting: Mapping[str, Any],
    span: TargetSpan,
    fired: FiredRange,
    clarity: ClarityFit | None = None,
) -> TargetAtSetting:
    """Bring fits and a setting together, as maps, edges and boxes take them."""
    series = fit.series
    score = None
    if clarity is not None and series.responses.transparency is not None:
        score = clarity_at(
            series, setting, clarity.terms, clarity.draws, count=fit.draws.n_draws
        )
    target = TargetAtSetting(
        series=series,
        setting=setting,
        plane=plane_of(series),
        draws=stage_at(series, setting, fit.terms, fit.draws),
        span=span,
        table=None,
        clarity=score,
        fired=fired,
    )
    return target if score is None else target.tabulated()
