r"""Log posterior of several studios' looks, and its gradient.

A look at the colour by studio k in load l is graded at or below j with
probability :math:`F(\theta_j - x^\top\beta - s T_k - \sigma z_l)`, with
:math:`s` the effect of half the fired range. A look at a control tile has
thresholds and effects of its own, and only the kiln's part:
:math:`F(\theta^c_j - x^\top\beta^c - s^c (D_k + \sigma z_l / s))`, for a load
that is hot for one colour is as hot for the other. As in
`firelab.fits.ordinal.stage_posterior_density`, :math:`z_l` is integrated out on
equally spaced nodes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.stage_posterior_density import by_threshold
from firelab.fits.ordinal.stage_posterior_grades import (
    OPEN,
    log_between,
    logit_load_logs,
    slopes_between,
)
from firelab.fits.ordinal.stage_posterior_layout import Natural
from firelab.studios.pooling.pool_layout import PoolLayout, StudioEffects

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_CHUNK = 400_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PooledGrades:
    """Graded looks of all studios, sorted by load, n of them.

    Attributes
    ----------
    grade, studio, load : ndarray of int, shape (n,)
        Place on the scale of grades; which studio; which load, never falling.
    tested, controls : ndarray of int
        Which looks are at the colour, and which at control tiles.
    X : ndarray, shape (n_tested, p)
        Coded columns of the looks at the colour.
    X_control : ndarray, shape (n_controls, p_control)
        Of those at control tiles; the first is the temperature.
    """

    grade: IntArray
    studio: IntArray
    load: IntArray
    tested: IntArray
    controls: IntArray
    X: FloatArray
    X_control: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    """Everything at M points that both value and gradient need."""

    natural: Natural
    known: Natural | None
    effects: StudioEffects
    steep: FloatArray
    lower: FloatArray
    upper: FloatArray
    factor: FloatArray
    """How much of a load's effect each look feels, shape (M, n)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoolDensity:
    """Log posterior over the parameters of a `PoolLayout`.

    Attributes
    ----------
    layout : PoolLayout
    priors : Priors
        Of the colour's own parameters.
    control_priors : Priors or None
        Of the control colour's.
    looks : PooledGrades
    link : str
    nodes, log_weights : ndarray, shape (Q,)
        Of the integral over a standard normal load effect.
    """

    layout: PoolLayout
    priors: Priors
    control_priors: Priors | None
    looks: PooledGrades
    link: str
    nodes: FloatArray
    log_weights: FloatArray

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log posterior up to a constant of (M, q) points, shape (M,)."""
        size = max(1, _CHUNK // (self.looks.grade.size * self.nodes.size))
        return np.concatenate(
            [
                self._log_density(points[start : start + size])
                for start in range(0, len(points), size)
            ]
        )

    def _log_density(self, points: FloatArray) -> FloatArray:
        state = self._state(points)
        if self.link == "logit":
            at_nodes = self._logit_nodes(state) + self.log_weights
            peak = at_nodes.max(axis=2)
            whole = np.log(np.exp(at_nodes - peak[:, :, None]).sum(axis=2)) + peak
        else:
            logs = log_between(self.link, *self._at_nodes(state))
            whole = self._by_load(logs)[1]
        return np.asarray(whole.sum(axis=1) + self._log_prior(points, state))

    def _logit_nodes(self, state: _State) -> FloatArray:
        """Return the log likelihood of each load at each node, shape (M, L, Q)."""
        looks = self.looks
        shape = (len(state.steep), int(looks.load.max()) + 1, self.nodes.size)
        at_nodes = np.zeros(shape)
        for group in (looks.tested, looks.controls):
            if group.size:
                own = np.sort(group)
                which, load = np.unique(looks.load[own], return_inverse=True)
                spread = state.factor[:, own[0]] * state.natural.load_sd
                at_nodes[:, which] += logit_load_logs(
                    state.lower[:, own],
                    state.upper[:, own],
                    spread[:, None] * self.nodes,
                    load,
                )
        return at_nodes

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the log posterior, shape (M,), and its gradient, shape (M, q)."""
        size = max(1, _CHUNK // (self.looks.grade.size * self.nodes.size))
        parts = [
            self._with_gradient(points[start : start + size])
            for start in range(0, len(points), size)
        ]
        values, slopes = zip(*parts, strict=True)
        return np.concatenate(values), np.concatenate(slopes)

    def _with_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        state = self._state(points)
        lower, upper = self._at_nodes(state)
        logs = log_between(self.link, lower, upper)
        at_nodes, whole = self._by_load(logs)
        share = np.exp(at_nodes - whole[:, :, None])[:, self.looks.load, :]
        by_lower, by_upper = slopes_between(self.link, lower, upper, logs)
        by_lower, by_upper = by_lower * share, by_upper * share
        by_heat = -(by_lower + by_upper) @ self.nodes
        slope = self._pull_back(
            points, state, by_lower.sum(axis=2), by_upper.sum(axis=2), by_heat
        )
        return whole.sum(axis=1) + self._log_prior(points, state), slope

    def _by_load(self, logs: FloatArray) -> tuple[FloatArray, FloatArray]:
        starts = np.flatnonzero(np.diff(self.looks.load, prepend=-1))
        at_nodes = np.add.reduceat(logs, starts, axis=1) + self.log_weights
        return at_nodes, np.asarray(logsumexp(at_nodes, axis=2))

    def _at_nodes(self, state: _State) -> tuple[FloatArray, FloatArray]:
        heat = (state.factor * state.natural.load_sd[:, None])[:, :, None] * self.nodes
        return state.lower[:, :, None] - heat, state.upper[:, :, None] - heat

    def _log_prior(self, points: FloatArray, state: _State) -> FloatArray:
        layout = self.layout
        own = points[:, : layout.colour.n_parameters]
        found = self.priors.log_density(own) + layout.log_prior(points, state.effects)
        if self.control_priors is not None:
            found = found + self.control_priors.log_density(points[:, layout.controls])
        return found

    def _state(self, points: FloatArray) -> _State:
        layout, looks = self.layout, self.looks
        natural = layout.colour.natural(points[:, : layout.colour.n_parameters])
        effects = layout.effects(points)
        steep = natural.coefficients[:, layout.colour.carrier or 0]
        shift = effects.total[:, looks.studio[looks.tested]]
        eta = natural.coefficients @ looks.X.T + steep[:, None] * shift
        lower, upper = (np.empty((len(points), looks.grade.size)) for _ in range(2))
        factor = np.ones_like(lower)
        _set_ends(lower, upper, looks.tested, looks.grade, natural, eta)
        known = None
        if layout.control is not None:
            known = layout.control.natural(points[:, layout.controls])
            steep_c = known.coefficients[:, 0]
            kiln = effects.kiln[:, looks.studio[looks.controls]]
            eta = known.coefficients @ looks.X_control.T + steep_c[:, None] * kiln
            _set_ends(lower, upper, looks.controls, looks.grade, known, eta)
            factor[:, looks.controls] = (steep_c / steep)[:, None]
        return _State(
            natural=natural,
            known=known,
            effects=effects,
            steep=steep,
            lower=lower,
            upper=upper,
            factor=factor,
        )

    def _pull_back(
        self,
        points: FloatArray,
        state: _State,
        low: FloatArray,
        high: FloatArray,
        by_heat: FloatArray,
    ) -> FloatArray:
        """Turn slopes by the ends and by the heat of each look into a gradient."""
        layout, looks, colour = self.layout, self.looks, self.layout.colour
        out = np.zeros_like(points)
        tested, by_eta = looks.tested, -(low + high)
        studio, n_grades = looks.studio[tested], colour.n_grades
        by_coefficient = by_eta[:, tested] @ looks.X
        shift = state.effects.total[:, studio]
        by_steep = (by_eta[:, tested] * shift).sum(axis=1)
        by_total = state.steep[:, None] * _gather(
            by_eta[:, tested], studio, layout.n_studios
        )
        by_kiln = np.zeros_like(by_total)
        if state.known is not None:
            by_kiln, more = self._pull_back_controls(points, state, low, high, by_heat, out)
            by_steep = by_steep + more
        by_coefficient[:, colour.carrier or 0] += by_steep
        own = points[:, : colour.n_parameters]
        out[:, : colour.n_parameters] = colour.pull_back(
            own,
            state.natural,
            by_threshold(looks.grade[tested], n_grades, low[:, tested], high[:, tested]),
            by_coefficient,
            (state.factor * by_heat).sum(axis=1),
        ) + self.priors.gradient(own)
        layout.pull_back(points, state.effects, by_total, by_kiln, out)
        return out

    def _pull_back_controls(
        self,
        points: FloatArray,
        state: _State,
        low: FloatArray,
        high: FloatArray,
        by_heat: FloatArray,
        out: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Add the control colour's slopes; return those by kilns and by `steep`."""
        layout, looks, at = self.layout, self.looks, self.looks.controls
        control, priors, known = layout.control, self.control_priors, state.known
        if control is None or priors is None or known is None:
            raise ValueError("there are no control looks")
        by_eta, studio = -(low + high)[:, at], looks.studio[at]
        kiln, steep_c = state.effects.kiln[:, studio], known.coefficients[:, 0]
        by_factor = (by_heat[:, at] * state.natural.load_sd[:, None]).sum(axis=1)
        by_coefficient = by_eta @ looks.X_control
        by_coefficient[:, 0] += (by_eta * kiln).sum(axis=1) + by_factor / state.steep
        theirs = points[:, layout.controls]
        out[:, layout.controls] = control.pull_back(
            theirs,
            known,
            by_threshold(looks.grade[at], control.n_grades, low[:, at], high[:, at]),
            by_coefficient,
            np.zeros(len(points)),
        ) + priors.gradient(theirs)
        by_kiln = steep_c[:, None] * _gather(by_eta, studio, layout.n_studios)
        return by_kiln, -by_factor * steep_c / state.steep**2


def _set_ends(
    lower: FloatArray,
    upper: FloatArray,
    at: IntArray,
    grade: IntArray,
    natural: Natural,
    eta: FloatArray,
) -> None:
    wall = np.full((len(eta), 1), OPEN)
    ends = np.concatenate([-wall, natural.thresholds, wall], axis=1)
    lower[:, at] = ends[:, grade[at]] - eta
    upper[:, at] = ends[:, grade[at] + 1] - eta


def _gather(by_look: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Sum (M, n) columns by group into (M, count)."""
    member = np.zeros((by_look.shape[1], count))
    member[np.arange(group.size), group] = 1.0
    return np.asarray(by_look @ member)
