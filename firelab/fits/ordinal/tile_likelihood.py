r"""Log-likelihood with one effect per load and one per tile within it.

A tile that is graded, fired on and graded again carries its own shift
:math:`\tau_2 w_h` beside its load's :math:`\tau_1 v_g`, both standard normal.
The tile's effect is integrated out by adaptive Gauss-Hermite quadrature at
every node of its load, the load's around the mode of both. Gradient and
Hessian hold the nodes still (Louis 1982): they err as the quadrature does.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.grade_design import GradeDesign
from firelab.fits.ordinal.interval_terms import IntervalTerms, interval_terms, move_together
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.load_chunks import LoadChunk, Nodes, cut_into_chunks
from firelab.fits.ordinal.mode_search import SearchLimits, find_modes
from firelab.fits.ordinal.plain_likelihood import Evaluation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_CHUNK_ROWS = 1 << 9
_JOINT_TOLERANCE = 1e-7
_LIMITS = SearchLimits(1e-7, 60)


class _TileChunk(NamedTuple):
    """Whole loads with the cells of each tile in one run."""

    cells: LoadChunk
    tile_starts: IntArray
    tile: IntArray
    load_of_tile: IntArray
    first_tile: IntArray

    def by_tile(self, by_cell: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(by_cell, self.tile_starts, axis=0))

    def by_load(self, by_tile: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(by_tile, self.first_tile, axis=0))


class _Nested(NamedTuple):
    """Nodes, their weights and derivatives: load nodes k, tile nodes m."""

    chunk: _TileChunk
    v: FloatArray
    w: FloatArray
    load_share: FloatArray
    tile_share: FloatArray
    upper: tuple[FloatArray, ...]
    lower: tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TileLikelihood:
    """The likelihood of several looks at tiles that share loads.

    Attributes
    ----------
    design : GradeDesign
        Cells sorted by load, then tile; no scale effects.
    link : Link
    load, tile : ndarray of int, shape (n,)
        Load and tile of each cell, both ascending.
    nodes : Nodes
        For loads and for tiles.
    slack : float
        By how much a step may lower the quadrature sum, as its gradient is
        that of the integral.
    """

    design: GradeDesign
    link: Link
    load: IntArray
    tile: IntArray
    nodes: Nodes
    slack: float = 1e-6
    _chunks: list[_TileChunk] = field(init=False)

    def __post_init__(self) -> None:
        """Cut the cells into chunks once."""
        chunks = []
        first = 0
        for cells in cut_into_chunks(self.design, self.load, _CHUNK_ROWS):
            tile = self.tile[first : first + len(cells.weights)]
            first += len(cells.weights)
            starts = np.flatnonzero(np.r_[True, tile[1:] != tile[:-1]])
            load_of_tile = cells.load[starts]
            firsts = np.searchsorted(load_of_tile, np.arange(len(cells.starts)))
            chunks.append(
                _TileChunk(
                    cells,
                    starts.astype(np.int64),
                    np.cumsum(np.r_[0, tile[1:] != tile[:-1]]).astype(np.int64),
                    load_of_tile,
                    firsts.astype(np.int64),
                )
            )
        object.__setattr__(self, "_chunks", chunks)

    def value(self, point: FloatArray) -> float:
        """Return the log-likelihood."""
        return sum(self._integrate(chunk, point, 0)[0] for chunk in self._chunks)

    def evaluate(self, point: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        size = len(point)
        value, gradient, hessian = 0.0, np.zeros(size), np.zeros((size, size))
        for chunk in self._chunks:
            part, nested = self._integrate(chunk, point, 2)
            slope, bend = _still_derivatives(nested)
            value, gradient, hessian = value + part, gradient + slope, hessian + bend
        return Evaluation(value, gradient, hessian)

    def _joint_modes(
        self, chunk: _TileChunk, ends: tuple[FloatArray, FloatArray], taus: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return modes of loads and tiles, the loads' spread, the tiles' lean on v."""
        cells, (tau_v, tau_w) = chunk.cells, taus
        v, w = np.zeros(len(cells.starts)), np.zeros(len(chunk.tile_starts))
        step_v, step_w = np.zeros_like(v), np.zeros_like(w)
        best = np.full(len(v), -np.inf)
        for _ in range(_LIMITS.iterations):
            try_v, try_w = v + step_v, w + step_w
            shift = tau_v * try_v[cells.load] + tau_w * try_w[chunk.tile]
            terms = interval_terms(self.link, ends[0] - shift, ends[1] - shift, 2)
            joint = chunk.by_load(
                chunk.by_tile(cells.weights * terms.log_p) - 0.5 * try_w**2
            )
            joint -= 0.5 * try_v**2
            rose = joint >= best - 1e-12 * (1.0 + np.abs(joint))
            best = np.where(rose, joint, best)
            v = np.where(rose, try_v, v)
            w = np.where(rose[chunk.load_of_tile], try_w, w)
            ahead_v, ahead_w, h_v, lean = _joint_step(chunk, terms, (try_v, try_w), taus)
            step_v = np.where(rose, ahead_v, 0.5 * step_v)
            step_w = np.where(rose[chunk.load_of_tile], ahead_w, 0.5 * step_w)
            if not max(np.max(np.abs(step_v)), np.max(np.abs(step_w))) > _JOINT_TOLERANCE:
                break
        return v, w, 1.0 / np.sqrt(-h_v), lean

    def _tile_modes(
        self,
        chunk: _TileChunk,
        ends: tuple[FloatArray, FloatArray],
        tau: float,
        w: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Return mode and spread of each tile at each node of its load, (H, K)."""
        weights = chunk.cells.weights[:, None]

        def at(w: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
            shift = tau * w[chunk.tile]
            terms = interval_terms(self.link, ends[0] - shift, ends[1] - shift, 2)
            first, second = move_together(terms)
            slope = -tau * chunk.by_tile(weights * first) - w
            bend = tau**2 * chunk.by_tile(weights * second) - 1.0
            return slope, bend, bend

        mode, bend = find_modes(at, w, _LIMITS)
        return mode, 1.0 / np.sqrt(np.maximum(-bend, 0.1))

    @np.errstate(all="ignore")
    def _integrate(
        self, chunk: _TileChunk, point: FloatArray, order: int
    ) -> tuple[float, _Nested]:
        place, log_weight = self.nodes
        cells, taus = chunk.cells, point[-2:]
        lower, upper = cells.cuts(point[:-2])
        mode, w_mode, sd, lean = self._joint_modes(chunk, (lower, upper), taus)
        v = mode[:, None] + sd[:, None] * place
        moved = taus[0] * v[cells.load]
        low, up = lower[:, None] - moved, upper[:, None] - moved
        near = w_mode[:, None] + lean[:, None] * (v - mode[:, None])[chunk.load_of_tile]
        w_k, sd_w = self._tile_modes(chunk, (low, up), float(taus[1]), near)
        w = w_k[:, :, None] + sd_w[:, :, None] * place
        shift = taus[1] * w[chunk.tile]
        terms = interval_terms(
            self.link, low[:, :, None] - shift, up[:, :, None] - shift, order
        )
        log_tile = chunk.by_tile(cells.weights[:, None, None] * terms.log_p)
        log_tile += log_weight - 0.5 * w * w
        inner, tile_share = _add_up_logs(log_tile)
        log_load = chunk.by_load(inner + np.log(sd_w)) - 0.5 * v * v + log_weight
        outer, load_share = _add_up_logs(log_load)
        value = float(np.sum(outer) + np.sum(np.log(sd)))
        nested = _Nested(chunk, v, w, load_share, tile_share, terms.upper, terms.lower)
        return value, nested


def _joint_step(
    chunk: _TileChunk,
    terms: IntervalTerms,
    at: tuple[FloatArray, FloatArray],
    taus: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Newton step of loads and tiles, the loads' curvature, the tiles' lean on v."""
    cells, (tau_v, tau_w), (v, w) = chunk.cells, taus, at
    first, second = move_together(terms)
    slope = chunk.by_tile(cells.weights * first)
    bend = np.minimum(chunk.by_tile(cells.weights * second), 0.0)
    g_w, h_ww = -tau_w * slope - w, tau_w**2 * bend - 1.0
    lean = -tau_v * tau_w * bend / h_ww
    g_v = chunk.by_load(-tau_v * slope + lean * g_w) - v
    h_v = chunk.by_load(tau_v**2 * bend + lean * tau_v * tau_w * bend) - 1.0
    step_v = -g_v / h_v
    return step_v, -g_w / h_ww + lean * step_v[chunk.load_of_tile], h_v, lean


def _add_up_logs(logs: FloatArray) -> tuple[FloatArray, FloatArray]:
    peak = np.max(logs, axis=-1, keepdims=True)
    share = np.exp(logs - peak)
    total = np.sum(share, axis=-1, keepdims=True)
    return np.asarray((np.log(total) + peak)[..., 0]), np.asarray(share / total)


def _still_derivatives(nested: _Nested) -> tuple[FloatArray, FloatArray]:
    """Gradient and Hessian with the nodes held where they are."""
    chunk = nested.chunk
    cells, q = chunk.cells, chunk.cells.upper.shape[1]
    of_tile = nested.load_share[chunk.load_of_tile]
    share = (of_tile[:, :, None] * nested.tile_share)[chunk.tile]
    share = share * cells.weights[:, None, None]
    v = nested.v[cells.load][:, :, None]
    w = nested.w[chunk.tile]
    score = _tile_scores(nested, q)
    mean = np.einsum("hkm,hkmq->hkq", nested.tile_share, score)
    within = np.einsum("hk,hkm,hkmq,hkmr->qr", of_tile, nested.tile_share, score, score)
    within -= np.einsum("hk,hkq,hkr->qr", of_tile, mean, mean)
    of_load = chunk.by_load(mean)
    gradient = np.einsum("gk,gkq->gq", nested.load_share, of_load)
    between = np.einsum("gk,gkq,gkr->qr", nested.load_share, of_load, of_load)
    between -= gradient.T @ gradient
    hessian = within + between
    (b1, b2), (a1, a2) = nested.upper, nested.lower
    bb, ab, aa = share * (b2 - b1 * b1), share * a1 * b1, -share * (a2 + a1 * a1)
    for (left, right), part in (
        ((cells.upper, cells.upper), bb),
        ((cells.upper, cells.lower), ab),
        ((cells.lower, cells.upper), ab),
        ((cells.lower, cells.lower), aa),
    ):
        plain = np.sum(part, axis=(1, 2))
        hessian[:q, :q] += left.T @ (right * plain[:, None])
        for at, effect in ((q, v), (q + 1, w)):
            mixed = -np.sum(part * effect, axis=(1, 2)) @ left
            hessian[:q, at] += mixed
            hessian[at, :q] += mixed
            for beside, other in ((q, v), (q + 1, w)):
                hessian[at, beside] += np.sum(part * effect * other)
    return np.sum(gradient, axis=0), hessian


def _tile_scores(nested: _Nested, q: int) -> FloatArray:
    """Score of each tile at each pair of nodes, shape (H, K, M, q + 2)."""
    chunk, cells = nested.chunk, nested.chunk.cells
    weights = cells.weights[:, None, None]
    on_b, on_a = weights * nested.upper[0], weights * nested.lower[0]
    score = np.empty((*nested.w.shape, q + 2))
    score[..., :q] = chunk.by_tile(
        on_b[..., None] * cells.upper[:, None, None, :]
        - on_a[..., None] * cells.lower[:, None, None, :]
    )
    along = -chunk.by_tile(on_b - on_a)
    score[..., q] = along * nested.v[chunk.load_of_tile][:, :, None]
    score[..., q + 1] = along * nested.w
    return score
