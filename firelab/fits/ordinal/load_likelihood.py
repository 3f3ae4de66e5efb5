r"""Log-likelihood with one effect per load, by adaptive Gauss-Hermite quadrature.

The latent grade of every look in load :math:`g` is shifted by
:math:`\tau v_g`, :math:`v_g` standard normal. Nodes sit around the mode
:math:`\hat v` of each load at distances :math:`\sqrt 2 s x_k`, with
:math:`s^{-2}` the curvature there; one node is the Laplace approximation. The
gradient is that of the sum itself: it follows the nodes as they move with the
parameters. The Hessian holds them still (Louis 1982), which errs as the
quadrature does.

The standard deviation :math:`\tau` enters without a bound: the likelihood is
even in it, so a load effect of nothing is an ordinary stationary point.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.grade_design import GradeDesign
from firelab.fits.ordinal.interval_terms import (
    IntervalTerms,
    interval_terms,
    mixed_derivatives,
    move_together,
)
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.load_chunks import (
    LoadChunk,
    Nodes,
    cut_into_chunks,
    hermite_nodes,
)
from firelab.fits.ordinal.mode_search import SearchLimits, find_modes
from firelab.fits.ordinal.plain_likelihood import Evaluation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_CHUNK_ROWS = 1 << 13
_LIMITS = SearchLimits(1e-10, 100)
_FEWEST_BENDING = 5
_BENDING_NODES = 7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadLikelihood:
    """The likelihood of looks that share loads.

    Attributes
    ----------
    design : GradeDesign
        Cells sorted by load, no scale effects.
    link : Link
    load : ndarray of int, shape (n,)
        Load of each cell, 0 to G - 1, ascending.
    nodes : Nodes
    """

    design: GradeDesign
    link: Link
    load: IntArray
    nodes: Nodes
    _modes: FloatArray = field(init=False)
    _kept: list[LoadChunk] = field(init=False)

    def __post_init__(self) -> None:
        """Start every mode at nothing, and keep the chunk where there is one."""
        object.__setattr__(self, "_modes", np.zeros(int(self.load[-1]) + 1))
        kept = list(self._cut_up()) if len(self.load) <= _CHUNK_ROWS else []
        object.__setattr__(self, "_kept", kept)

    def _cut_up(self) -> Iterator[LoadChunk]:
        return cut_into_chunks(self.design, self.load, _CHUNK_ROWS)

    def _chunks(self) -> Iterator[LoadChunk]:
        return iter(self._kept) if self._kept else self._cut_up()

    def value(self, point: FloatArray) -> float:
        """Return the log-likelihood."""
        return sum(self._part(chunk, point, 0)[0] for chunk in self._chunks())

    def gradient(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Return the log-likelihood and its exact gradient."""
        value, gradient = 0.0, np.zeros(len(point))
        for chunk in self._chunks():
            part, slope, _ = self._part(chunk, point, 1)
            value, gradient = value + part, gradient + slope
        return value, gradient

    @property
    def has_few_nodes(self) -> bool:
        """Whether the Hessian is only good to step by."""
        return len(self.nodes.place) < _FEWEST_BENDING

    def evaluate(self, point: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian.

        Held still, too few nodes bend wrongly: below five the Hessian is that
        of seven nodes, good to step by but not to report.
        """
        if self.has_few_nodes:
            value, gradient = self.gradient(point)
            finer = replace(self, nodes=hermite_nodes(_BENDING_NODES))
            return Evaluation(value, gradient, finer.evaluate(point).hessian)
        value, gradient = 0.0, np.zeros(len(point))
        hessian = np.zeros((len(point), len(point)))
        for chunk in self._chunks():
            part, slope, bend = self._part(chunk, point, 2)
            value, gradient, hessian = value + part, gradient + slope, hessian + bend
        return Evaluation(value, gradient, hessian)

    def load_effects(self, point: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mode and standard deviation of each load's effect, shape (G,)."""
        modes, sds = np.empty_like(self._modes), np.empty_like(self._modes)
        for chunk in self._chunks():
            lower, upper = chunk.cuts(point[:-1])
            mode, terms = self._find_modes(chunk, lower, upper, float(point[-1]))
            sd = _spread(chunk, terms, float(point[-1]))
            modes[chunk.loads], sds[chunk.loads] = point[-1] * mode, abs(point[-1]) * sd
        return modes, sds

    def _find_modes(
        self, chunk: LoadChunk, lower: FloatArray, upper: FloatArray, tau: float
    ) -> tuple[FloatArray, IntervalTerms]:
        def at(mode: FloatArray) -> tuple[FloatArray, FloatArray, IntervalTerms]:
            shift = tau * mode[chunk.load]
            terms = interval_terms(self.link, lower - shift, upper - shift, 3)
            first, second = move_together(terms)
            slope = -tau * chunk.add_up(chunk.weights * first) - mode
            bend = tau * tau * chunk.add_up(chunk.weights * second) - 1.0
            return slope, bend, terms

        mode, terms = find_modes(at, self._modes[chunk.loads], _LIMITS)
        if np.all(np.isfinite(mode)):
            self._modes[chunk.loads] = mode
        return mode, terms

    @np.errstate(all="ignore")
    def _part(
        self, chunk: LoadChunk, point: FloatArray, order: int
    ) -> tuple[float, FloatArray, FloatArray]:
        tau = float(point[-1])
        lower, upper = chunk.cuts(point[:-1])
        mode, at_mode = self._find_modes(chunk, lower, upper, tau)
        sd = _spread(chunk, at_mode, tau)
        v = mode[:, None] + sd[:, None] * self.nodes.place
        shift = tau * v[chunk.load]
        terms = interval_terms(
            self.link, lower[:, None] - shift, upper[:, None] - shift, order
        )
        log_g = chunk.add_up(chunk.weights[:, None] * terms.log_p) - 0.5 * v * v
        log_g += self.nodes.log_weight
        peak = np.max(log_g, axis=1, keepdims=True)
        share = np.exp(log_g - peak)
        total = np.sum(share, axis=1, keepdims=True)
        value = float(np.sum(np.log(total) + peak) + np.sum(np.log(sd)))
        if order == 0:
            return value, np.empty(0), np.empty(0)
        share /= total
        state = _State(chunk, tau, mode, sd, v, share, terms, at_mode)
        return value, _exact_gradient(state, self.nodes), _still_hessian(state, order)


class _State(NamedTuple):
    """One chunk at one point: modes, nodes, the weight of each node, derivatives."""

    chunk: LoadChunk
    tau: float
    mode: FloatArray
    sd: FloatArray
    v: FloatArray
    share: FloatArray
    terms: IntervalTerms
    at_mode: IntervalTerms


def _spread(chunk: LoadChunk, terms: IntervalTerms, tau: float) -> FloatArray:
    curvature = 1.0 - tau * tau * chunk.add_up(chunk.weights * move_together(terms)[1])
    return np.asarray(1.0 / np.sqrt(np.maximum(curvature, 1e-8)))


def _exact_gradient(state: _State, nodes: Nodes) -> FloatArray:
    """Gradient of the quadrature sum, the movement of its nodes included."""
    chunk, tau, v = state.chunk, state.tau, state.v
    share = state.share[chunk.load] * chunk.weights[:, None]
    b1, a1 = state.terms.upper[0], state.terms.lower[0]
    along = b1 - a1
    on_upper = np.sum(share * b1, axis=1)
    on_lower = -np.sum(share * a1, axis=1)
    slope_v = -tau * chunk.add_up(chunk.weights[:, None] * along) - v
    pull = np.sum(state.share * slope_v, axis=1)
    stretch = np.sum(state.share * slope_v * nodes.place, axis=1) + 1.0 / state.sd
    by_tau = -float(np.sum(share * along * v[chunk.load]))
    moved = _moved_nodes(state, pull, stretch)
    gradient = (on_upper + moved[0]) @ chunk.upper + (on_lower + moved[1]) @ chunk.lower
    return np.append(gradient, by_tau + moved[2])


def _moved_nodes(
    state: _State, pull: FloatArray, stretch: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    r"""Return what moving modes and spreads add, by upper cut, lower cut and tau.

    With :math:`D` the derivative as both ends move together, the mode moves by
    :math:`s^2 g_{v\psi}` and the spread by
    :math:`s^3 (g_{vv\psi} + g_{vvv}\, d\hat v)/2`.
    """
    chunk, tau, w = state.chunk, state.tau, state.chunk.weights
    e1, d2, d3, (d1_b, d1_a), (d2_b, d2_a) = mixed_derivatives(state.at_mode)
    spread = 0.5 * stretch * state.sd**3
    third = -(tau**3) * chunk.add_up(w * d3)
    moved = (pull + spread * third) * state.sd**2
    on_mode, on_spread = (-tau * moved)[chunk.load], (tau * tau * spread)[chunk.load]
    at = state.mode[chunk.load]
    slope_tau = chunk.add_up(w * (tau * at * d2 - e1))
    bend_tau = chunk.add_up(w * (2.0 * tau * d2 - tau * tau * at * d3))
    return (
        w * (on_mode * d1_b + on_spread * d2_b),
        w * (on_mode * d1_a + on_spread * d2_a),
        float(moved @ slope_tau + spread @ bend_tau),
    )


def _still_hessian(state: _State, order: int) -> FloatArray:
    """Hessian with the nodes held where they are (Louis 1982)."""
    if order < 2:
        return np.empty(0)
    chunk, v = state.chunk, state.v[state.chunk.load]
    share = state.share[chunk.load] * chunk.weights[:, None]
    (b1, b2), (a1, a2) = state.terms.upper, state.terms.lower
    bb, ab, aa = share * (b2 - b1 * b1), share * a1 * b1, -share * (a2 + a1 * a1)
    up, low, q = chunk.upper, chunk.lower, chunk.upper.shape[1]
    hessian = np.empty((q + 1, q + 1))
    crossed = up.T @ (low * np.sum(ab, axis=1)[:, None])
    hessian[:q, :q] = up.T @ (up * np.sum(bb, axis=1)[:, None]) + crossed + crossed.T
    hessian[:q, :q] += low.T @ (low * np.sum(aa, axis=1)[:, None])
    mixed = -np.sum((bb + ab) * v, axis=1) @ up - np.sum((aa + ab) * v, axis=1) @ low
    hessian[:q, q] = hessian[q, :q] = mixed
    hessian[q, q] = np.sum((bb + 2.0 * ab + aa) * v * v)
    weighted_b, weighted_a = chunk.weights[:, None] * b1, chunk.weights[:, None] * a1
    score = np.empty((*state.v.shape, q + 1))
    by_look = (
        weighted_b[:, :, None] * up[:, None, :] - weighted_a[:, :, None] * low[:, None]
    )
    score[:, :, :q] = chunk.add_up(by_look)
    score[:, :, q] = -chunk.add_up(weighted_b - weighted_a) * state.v
    mean = np.einsum("gk,gkq->gq", state.share, score)
    flat = score.reshape(-1, q + 1)
    spread = flat.T @ (flat * state.share.reshape(-1, 1)) - mean.T @ mean
    return np.asarray(hessian + spread)
