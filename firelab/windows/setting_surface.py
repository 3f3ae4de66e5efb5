r"""Draws at one setting, as polynomials in coded temperature and ln dwell.

At one mesh, layers and base every column of a model is at most quadratic in
the coded temperature :math:`u` and in the coded ln dwell :math:`v`, so nine
monomials :math:`u^a v^b` say all of it. Recast once, a setting is evaluated
anywhere without building a model matrix again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firelab.fits.clarity_draws import ClarityDraws
from firelab.fits.stage_draws import StageDraws
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import Coding, coding, model_matrix
from firelab.windows.fired_range import settings_at

FloatArray = NDArray[np.float64]

_NODES = np.array([-1.0, 0.0, 1.0])
MONOMIALS = tuple(f"u^{a} v^{b}" for a in range(3) for b in range(3))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Temperature and dwell of a series as coded coordinates.

    Attributes
    ----------
    temperature, dwell : Coding
    """

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


def _recast(
    series: FiringSeries,
    setting: Mapping[str, Any],
    terms: Sequence[str],
    coefficients: FloatArray,
) -> FloatArray:
    """Return coefficients of the monomials, shape (S, 9), of those of terms."""
    u, v = (axis.ravel() for axis in np.meshgrid(_NODES, _NODES, indexing="ij"))
    plane = plane_of(series)
    frame = settings_at(setting, plane.degC(u), plane.seconds(v))
    at_nodes = np.linalg.solve(monomials(u, v), model_matrix(series, frame, terms))
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
        coefficients=_recast(series, setting, terms, draws.coefficients),
        columns=MONOMIALS,
    )


def clarity_at(
    series: FiringSeries,
    setting: Mapping[str, Any],
    terms: Sequence[str],
    draws: ClarityDraws,
    *,
    count: int,
) -> ClarityDraws:
    """Return `count` clarity draws at a setting, their columns `MONOMIALS`.

    Where there are fewer draws than that, they are taken again from the first.
    """
    taken = some_clarity(draws, np.arange(count) % draws.n_draws)
    return replace(
        taken,
        coefficients=_recast(series, setting, terms, taken.coefficients),
        columns=MONOMIALS,
    )


def some_clarity(draws: ClarityDraws, which: NDArray[np.int64]) -> ClarityDraws:
    """Return some of the clarity draws."""
    return replace(
        draws,
        intercept=draws.intercept[which],
        coefficients=draws.coefficients[which],
        load_sd=draws.load_sd[which],
        residual_sd=draws.residual_sd[which],
    )
