r"""Log posterior of several studios' looks, and its gradient.

A look at the colour by studio k in load l is graded at or below j with
probability :math:`F(\theta_j - x^\top\beta - s T_k - \sigma z_l)`, with
:math:`s` the effect of half the fired range. A look at a control tile has
thresholds and effects of its own, and only the kiln's part:
:math:`F(\theta^c_j - x^\top\beta^c - s^c (D_k + \sigma z_l / s))`, for a load
that is hot for one colour is as hot for the other. As in
`firelab.fits.ordinal.posterior_density`, :math:`z_l` is integrated out on
equally spaced nodes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from firelab.arrays import FloatArray, IntArray
from firelab.fits.ordinal.likelihood import (
    Evaluation,
    Nodes,
    by_threshold,
    grade_ends,
    grouped_looks,
)
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.parameters import StageParameters
from firelab.fits.ordinal.posterior_density import sum_by_group
from firelab.fits.ordinal.priors import Priors
from firelab.studios.pooling.pool_layout import PoolLayout, StudioEffects

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

    @property
    def kinds(self) -> IntArray | None:
        """1 for looks at control tiles, 0 for the rest; None without any."""
        if not self.controls.size:
            return None
        kinds = np.zeros(self.grade.size, dtype=np.int64)
        kinds[self.controls] = 1
        return kinds


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    """Everything at M points that both value and gradient need."""

    colour: StageParameters
    control: StageParameters | None
    effects: StudioEffects
    lower: FloatArray
    upper: FloatArray
    moves: FloatArray
    """What a load's standard deviation moves looks of each kind, shape (M, K)."""


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
    nodes : Nodes
        Of the integral over a standard normal load effect.
    """

    layout: PoolLayout
    priors: Priors
    control_priors: Priors | None
    looks: PooledGrades
    link: str
    nodes: Nodes

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log posterior up to a constant of (M, q) points, shape (M,)."""
        values = []
        for part in self._chunks(points):
            state = self._state(part)
            found = self._likelihood(state, with_slopes=False)
            values.append(found.value + self._log_prior(part, state))
        return np.concatenate(values)

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the log posterior, shape (M,), and its gradient, shape (M, q)."""
        values, slopes = [], []
        for part in self._chunks(points):
            state = self._state(part)
            found = self._likelihood(state, with_slopes=True)
            values.append(found.value + self._log_prior(part, state))
            slopes.append(self._gradient(part, state, found))
        return np.concatenate(values), np.concatenate(slopes)

    def _chunks(self, points: FloatArray) -> Iterator[FloatArray]:
        size = max(1, _CHUNK // (self.looks.grade.size * self.nodes.place.size))
        for start in range(0, len(points), size):
            yield points[start : start + size]

    def _likelihood(self, state: _State, *, with_slopes: bool) -> Evaluation:
        return grouped_looks(
            link_named(self.link),
            state.lower,
            state.upper,
            state.moves,
            Groups.of(self.looks.load),
            self.nodes,
            kinds=self.looks.kinds,
            with_slopes=with_slopes,
        )

    def _log_prior(self, points: FloatArray, state: _State) -> FloatArray:
        layout = self.layout
        own = points[:, : layout.colour.n_parameters]
        found = self.priors.log_density(own) + layout.log_prior(points, state.effects)
        if self.control_priors is not None:
            found = found + self.control_priors.log_density(points[:, layout.controls])
        return found

    def _state(self, points: FloatArray) -> _State:
        layout, looks = self.layout, self.looks
        colour = layout.colour.stage_parameters(points[:, : layout.colour.n_parameters])
        effects = layout.effects(points)
        steep = colour.steepness
        shift = effects.total[:, looks.studio[looks.tested]]
        eta = colour.coefficients @ looks.X.T + steep[:, None] * shift
        lower, upper = (np.empty((len(points), looks.grade.size)) for _ in range(2))
        at = looks.tested
        lower[:, at], upper[:, at] = grade_ends(looks.grade[at], colour.thresholds, eta)
        moves, control = colour.sd, None
        if layout.control is not None:
            control = layout.control.stage_parameters(points[:, layout.controls])
            steep_c = control.steepness
            kiln = effects.kiln[:, looks.studio[looks.controls]]
            eta = control.coefficients @ looks.X_control.T + steep_c[:, None] * kiln
            at = looks.controls
            ends = grade_ends(looks.grade[at], control.thresholds, eta)
            lower[:, at], upper[:, at] = ends
            moves = np.hstack([moves, moves * (steep_c / steep)[:, None]])
        return _State(
            colour=colour,
            control=control,
            effects=effects,
            lower=lower,
            upper=upper,
            moves=moves,
        )

    def _gradient(self, points: FloatArray, state: _State, found: Evaluation) -> FloatArray:
        """Turn slopes by the ends and by a load's effect into a gradient."""
        low, high = found.by_lower, found.by_upper
        layout, looks, colour = self.layout, self.looks, self.layout.colour
        out = np.zeros_like(points)
        tested, by_eta = looks.tested, -(low + high)
        studio, n_grades = looks.studio[tested], colour.n_grades
        by_coefficient = by_eta[:, tested] @ looks.X
        shift = state.effects.total[:, studio]
        by_steep = (by_eta[:, tested] * shift).sum(axis=1)
        by_total = state.colour.steepness[:, None] * sum_by_group(
            by_eta[:, tested], studio, layout.n_studios
        )
        by_sd = found.by_effect[:, tested].sum(axis=1)
        by_kiln = np.zeros_like(by_total)
        if state.control is not None:
            by_kiln, more = self._gradient_of_controls(points, state, found, out)
            by_steep = by_steep + more
            by_effect = found.by_effect[:, looks.controls].sum(axis=1)
            by_sd = by_sd + by_effect * state.control.steepness / state.colour.steepness
        by_coefficient[:, colour.carrier or 0] += by_steep
        own = points[:, : colour.n_parameters]
        out[:, : colour.n_parameters] = colour.gradient(
            own,
            state.colour,
            by_threshold(looks.grade[tested], n_grades, low[:, tested], high[:, tested]),
            by_coefficient,
            by_sd[:, None],
        ) + self.priors.gradient(own)
        layout.pull_back(points, state.effects, by_total, by_kiln, out)
        return out

    def _gradient_of_controls(
        self, points: FloatArray, state: _State, found: Evaluation, out: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Add the control colour's slopes; return those by kilns and by its steepness."""
        layout, looks, at = self.layout, self.looks, self.looks.controls
        low, high = found.by_lower, found.by_upper
        control, priors, known = layout.control, self.control_priors, state.control
        if control is None or priors is None or known is None:
            raise ValueError("there are no control looks")
        by_eta, studio = -(low + high)[:, at], looks.studio[at]
        kiln, steep_c = state.effects.kiln[:, studio], known.steepness
        by_factor = found.by_effect[:, at].sum(axis=1) * state.colour.sd[:, 0]
        by_coefficient = by_eta @ looks.X_control
        by_coefficient[:, 0] += (by_eta * kiln).sum(
            axis=1
        ) + by_factor / state.colour.steepness
        theirs = points[:, layout.controls]
        out[:, layout.controls] = control.gradient(
            theirs,
            known,
            by_threshold(looks.grade[at], control.n_grades, low[:, at], high[:, at]),
            by_coefficient,
            np.zeros((len(points), 1)),
        ) + priors.gradient(theirs)
        by_kiln = steep_c[:, None] * sum_by_group(by_eta, studio, layout.n_studios)
        return by_kiln, -by_factor * steep_c / state.colour.steepness**2
