r"""The log-likelihood of looks as a function to be maximised, block by block.

Blocks keep the memory near that of the data and the columns in the processor's cache. One
normal effect per group is integrated by adaptive Gauss-Hermite quadrature. Its gradient is
that of the quadrature sum itself: it follows the nodes as they move with the parameters
(Liu and Pierce 1994). The Hessian holds them still (Louis 1982), which errs as the
quadrature does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from firelab.arrays import FloatArray
from firelab.fits.ordinal.likelihood import Nodes, hermite_nodes, log_sum
from firelab.fits.ordinal.links import (
    IntervalTerms,
    Link,
    interval_terms,
    mixed_derivatives,
    move_together,
)
from firelab.fits.ordinal.looks import BLOCK_ROWS, Block, GradedLooks, Groups
from firelab.fits.ordinal.maximum import Shape


class AdaptiveIntegral(NamedTuple):
    r"""One effect per group, integrated around its mode, at one parameter point.

    Nodes sit around the mode :math:`\hat v` of each group at distances :math:`s x_k`,
    with :math:`s^{-2}` the curvature there; one node is the Laplace approximation.
    The standard deviation :math:`\tau` enters without a bound: the likelihood is even
    in it, so an effect of nothing is an ordinary stationary point.

    Attributes
    ----------
    value : float
    weights : ndarray, shape (n,)
        Looks that each row stands for.
    groups : Groups
    tau : float
    mode, sd : ndarray, shape (G,)
    v, share : ndarray, shape (G, K)
        Nodes of each group, and the share of its likelihood that each carries.
    terms, at_mode : IntervalTerms
        At the nodes, (n, K), and at the mode, (n,).
    nodes : Nodes
    """

    value: float
    weights: FloatArray
    groups: Groups
    tau: float
    mode: FloatArray
    sd: FloatArray
    v: FloatArray
    share: FloatArray
    terms: IntervalTerms
    at_mode: IntervalTerms
    nodes: Nodes

    def slopes(self) -> tuple[FloatArray, FloatArray, float]:
        """Return the exact slopes of the sum by lower end, upper end and tau.

        The nodes' own movement with the parameters is included.
        """
        of_row, w = self.groups.of_row, self.weights
        share = self.share[of_row] * w[:, None]
        b1, a1 = self.terms.upper[0], self.terms.lower[0]
        slope_v = -self.tau * self.groups.add_up(w[:, None] * (b1 - a1)) - self.v
        pull = np.sum(self.share * slope_v, axis=1)
        stretch = np.sum(self.share * slope_v * self.nodes.place, axis=1) + 1.0 / self.sd
        by_tau = -float(np.sum(share * (b1 - a1) * self.v[of_row]))
        moved = self._moved_nodes(pull, stretch)
        return (
            -np.sum(share * a1, axis=1) + moved[0],
            np.sum(share * b1, axis=1) + moved[1],
            by_tau + moved[2],
        )

    def _moved_nodes(
        self, pull: FloatArray, stretch: FloatArray
    ) -> tuple[FloatArray, FloatArray, float]:
        r"""Return what moving modes and spreads add to the slopes.

        With :math:`D` the derivative as both ends move together, the mode moves by
        :math:`s^2 g_{v\psi}` and the spread by
        :math:`s^3 (g_{vv\psi} + g_{vvv}\, d\hat v)/2`.
        """
        tau, w, of_row = self.tau, self.weights, self.groups.of_row
        add_up = self.groups.add_up
        e1, d2, d3, (d1_b, d1_a), (d2_b, d2_a) = mixed_derivatives(self.at_mode)
        spread = 0.5 * stretch * self.sd**3
        moved = (pull - spread * tau**3 * add_up(w * d3)) * self.sd**2
        on_mode, on_spread = (-tau * moved)[of_row], (tau * tau * spread)[of_row]
        at = self.mode[of_row]
        slope_tau = add_up(w * (tau * at * d2 - e1))
        bend_tau = add_up(w * (2.0 * tau * d2 - tau * tau * at * d3))
        return (
            w * (on_mode * d1_a + on_spread * d2_a),
            w * (on_mode * d1_b + on_spread * d2_b),
            float(moved @ slope_tau + spread @ bend_tau),
        )

    def hessian(self, lower: FloatArray, upper: FloatArray) -> FloatArray:
        """Return the Hessian by linear parameters and tau, nodes held (Louis 1982).

        Parameters
        ----------
        lower, upper : ndarray, shape (n, q)
            What the ends change by per unit of each linear parameter.
        """
        v = self.v[self.groups.of_row]
        share = self.share[self.groups.of_row] * self.weights[:, None]
        (b1, b2), (a1, a2) = self.terms.upper[:2], self.terms.lower[:2]
        bb, ab, aa = share * (b2 - b1 * b1), share * a1 * b1, -share * (a2 + a1 * a1)
        q = upper.shape[1]
        hessian = np.empty((q + 1, q + 1))
        hessian[:q, :q] = _bend_by_columns(
            lower, upper, *(np.sum(x, axis=1) for x in (aa, ab, bb))
        )
        mixed = (
            -np.sum((bb + ab) * v, axis=1) @ upper - np.sum((aa + ab) * v, axis=1) @ lower
        )
        hessian[:q, q] = hessian[q, :q] = mixed
        hessian[q, q] = np.sum((bb + 2.0 * ab + aa) * v * v)
        on_b, on_a = self.weights[:, None] * b1, self.weights[:, None] * a1
        score = np.empty((*self.v.shape, q + 1))
        by_look = on_b[:, :, None] * upper[:, None, :] - on_a[:, :, None] * lower[:, None]
        score[:, :, :q] = self.groups.add_up(by_look)
        score[:, :, q] = -self.groups.add_up(on_b - on_a) * self.v
        mean = np.einsum("gk,gkq->gq", self.share, score)
        flat = score.reshape(-1, q + 1)
        return np.asarray(
            hessian + flat.T @ (flat * self.share.reshape(-1, 1)) - mean.T @ mean
        )


def _bend_by_columns(
    lower: FloatArray, upper: FloatArray, aa: FloatArray, ab: FloatArray, bb: FloatArray
) -> FloatArray:
    """Return a Hessian by the columns of both ends, (q, q), of that by the ends."""
    crossed = upper.T @ (lower * ab[:, None])
    whole = upper.T @ (upper * bb[:, None]) + crossed + crossed.T
    return np.asarray(whole + lower.T @ (lower * aa[:, None]))


def integrate_adaptively(
    link: Link,
    lower: FloatArray,
    upper: FloatArray,
    tau: float,
    *,
    weights: FloatArray,
    groups: Groups,
    nodes: Nodes,
    start: FloatArray,
    order: int,
) -> AdaptiveIntegral:
    """Integrate one normal effect per group around its mode.

    Parameters
    ----------
    link : Link
    lower, upper : ndarray, shape (n,)
        Latent ends in a mean group.
    tau : float
        Standard deviation of the effect; may be negative.
    weights : ndarray, shape (n,)
    groups : Groups
    nodes : Nodes
    start : ndarray, shape (G,)
        Where the search for the modes begins.
    order : {0, 1, 2}
        Derivatives that will be asked for.
    """

    def slope_at(mode: FloatArray) -> tuple[FloatArray, FloatArray, IntervalTerms]:
        shift = tau * mode[groups.of_row]
        terms = interval_terms(link, lower - shift, upper - shift, 3 if order else 2)
        first, second = move_together(terms)
        slope = -tau * groups.add_up(weights * first) - mode
        return slope, tau * tau * groups.add_up(weights * second) - 1.0, terms

    mode, bend, at_mode = _find_modes(slope_at, start)
    sd = 1.0 / np.sqrt(np.maximum(-bend, 1e-8))
    v = mode[:, None] + sd[:, None] * nodes.place
    shift = tau * v[groups.of_row]
    terms = interval_terms(link, lower[:, None] - shift, upper[:, None] - shift, order)
    log_g = groups.add_up(weights[:, None] * terms.log_p) - 0.5 * v * v
    whole, share = log_sum(log_g + nodes.log_weight + 0.5 * nodes.place**2)
    return AdaptiveIntegral(
        value=float(np.sum(whole) + np.sum(np.log(sd))),
        weights=weights,
        groups=groups,
        tau=tau,
        mode=mode,
        sd=sd,
        v=v,
        share=share,
        terms=terms,
        at_mode=at_mode,
        nodes=nodes,
    )


_MODE_TOLERANCE, _MODE_STEPS = 1e-10, 100
"""Step that ends the search for a group's mode, standard deviations of the effect, and
steps at most: the posterior of an effect is log-concave, so the search ends."""
_LONGEST_STEP, _LEAST_BEND = 3.0, 0.1
"""Longest step of it, and least curvature that one is taken by, where the prior alone
gives 1 (chosen here, no source): they change the way to the mode, not the mode."""


def _find_modes(
    slope_at: Callable[[FloatArray], tuple[FloatArray, FloatArray, IntervalTerms]],
    start: FloatArray,
) -> tuple[FloatArray, FloatArray, IntervalTerms]:
    """Return where each slope is nothing, with bend and terms there.

    Newton's method, each group by itself; a step after which the slope is steeper is
    halved.
    """

    def newton(slope: FloatArray, bend: FloatArray) -> FloatArray:
        step = -slope / np.minimum(bend, -_LEAST_BEND)
        return np.asarray(np.clip(step, -_LONGEST_STEP, _LONGEST_STEP))

    mode = start
    slope, bend, terms = slope_at(mode)
    step = newton(slope, bend)
    for _ in range(_MODE_STEPS):
        if not np.max(np.abs(step)) > _MODE_TOLERANCE:
            break
        trial = mode + step
        trial_slope, bend, terms = slope_at(trial)
        nearer = np.abs(trial_slope) <= np.abs(slope) + 1e-13
        step = np.where(nearer, newton(trial_slope, bend), 0.5 * step)
        mode, slope = np.where(nearer, trial, mode), np.where(nearer, trial_slope, slope)
    return mode, bend, terms


FEW_NODES, _FINER_NODES = 5, 7
"""With fewer nodes than the first held still the Hessian bends wrongly; that of the second
serves to step by, and a differenced one is reported (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LooksObjective:
    """The log-likelihood of looks as a function of one parameter point.

    Parameters: thresholds, nominal effects threshold by threshold, coefficients, and
    last the standard deviation of the group effect where there is one.

    Attributes
    ----------
    looks : GradedLooks
    link : Link
    nodes : Nodes or None
        None where no effect is fitted.
    ridge : ndarray, shape (p,)
        Precision of a normal penalty on the coefficients; zeros without one.
    """

    looks: GradedLooks
    link: Link
    nodes: Nodes | None
    ridge: FloatArray
    _modes: FloatArray = field(init=False)
    _kept: tuple[Block, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Start every mode at nothing, and keep the block where there is one."""
        group = self.looks.group
        size = 0 if group is None else int(group[-1]) + 1
        object.__setattr__(self, "_modes", np.zeros(size))
        few = len(self.looks.y) <= BLOCK_ROWS
        object.__setattr__(self, "_kept", tuple(self.looks.blocks()) if few else ())

    def value(self, point: FloatArray) -> float:
        """Return the log-likelihood."""
        return self._evaluate(point, 0).value

    def gradient(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Return the log-likelihood and its exact gradient."""
        found = self._evaluate(point, 1)
        return found.value, found.gradient

    def evaluate(self, point: FloatArray) -> Shape:
        """Return the log-likelihood with gradient and Hessian."""
        found = self._evaluate(point, 2)
        if self.nodes is None or len(self.nodes.place) >= FEW_NODES:
            return found
        finer = replace(self, nodes=hermite_nodes(_FINER_NODES))
        return found._replace(hessian=finer.evaluate(point).hessian)

    @np.errstate(all="ignore")
    def _evaluate(self, point: FloatArray, order: int) -> Shape:
        q = len(point)
        value, gradient, hessian = 0.0, np.zeros(q), np.zeros((q, q))
        for block in self._kept or self.looks.blocks():
            of_block = self._independent if self.nodes is None else self._grouped
            part, slope, bend = of_block(block, point, order)
            value += part
            if order > 0:
                gradient += slope
            if order > 1:
                hessian += bend
        if self.ridge.any():
            first = self.looks.n_linear - len(self.ridge)
            beta = point[first : self.looks.n_linear]
            value -= 0.5 * float(self.ridge @ (beta * beta))
            gradient[first : self.looks.n_linear] -= self.ridge * beta
            at = np.arange(first, self.looks.n_linear)
            hessian[at, at] -= self.ridge
        return Shape(value, gradient, hessian)

    def _independent(self, block: Block, point: FloatArray, order: int) -> Shape:
        lower, upper = block.ends(point)
        terms, w = interval_terms(self.link, lower, upper, order), block.weights
        value = float(w @ terms.log_p)
        if order == 0:
            return Shape(value, np.empty(0), np.empty(0))
        b1, a1 = terms.upper[0], terms.lower[0]
        gradient = (w * b1) @ block.upper - (w * a1) @ block.lower
        if order == 1:
            return Shape(value, gradient, np.empty(0))
        b2, a2 = terms.upper[1], terms.lower[1]
        ends = (-w * (a2 + a1 * a1), w * a1 * b1, w * (b2 - b1 * b1))
        return Shape(value, gradient, _bend_by_columns(block.lower, block.upper, *ends))

    def _grouped(self, block: Block, point: FloatArray, order: int) -> Shape:
        assert block.groups is not None and self.nodes is not None  # noqa: S101
        lower, upper = block.ends(point[:-1])
        own = slice(block.groups.first, block.groups.first + len(block.groups.starts))
        found = integrate_adaptively(
            self.link,
            lower,
            upper,
            float(point[-1]),
            weights=block.weights,
            groups=block.groups,
            nodes=self.nodes,
            start=self._modes[own],
            order=order,
        )
        if np.all(np.isfinite(found.mode)):
            self._modes[own] = found.mode
        if order == 0:
            return Shape(found.value, np.empty(0), np.empty(0))
        by_lower, by_upper, by_tau = found.slopes()
        gradient = np.append(by_upper @ block.upper + by_lower @ block.lower, by_tau)
        if order == 1:
            return Shape(found.value, gradient, np.empty(0))
        return Shape(found.value, gradient, found.hessian(block.lower, block.upper))

    def expected_information(self, point: FloatArray) -> FloatArray:
        """Return the expected (Fisher) information of looks without a group effect."""
        q = self.looks.n_linear
        information = np.zeros((q, q))
        for grade in range(self.looks.n_grades):
            block = self.looks.block(slice(None), grade=grade)
            terms = interval_terms(self.link, *block.ends(point), 1)
            score = block.upper * terms.upper[0][:, None]
            score -= block.lower * terms.lower[0][:, None]
            share = block.weights * np.exp(terms.log_p)
            information += score.T @ (score * share[:, None])
        return information


def parameter_units(objective: LooksObjective) -> FloatArray:
    """Return the change of each parameter that moves some end by one, shape (q,)."""
    looks = objective.looks
    sizes = [np.ones(looks.n_thresholds)]
    sizes.append(np.tile(largest_of(looks.nominal), looks.n_thresholds))
    sizes.append(largest_of(looks.X))
    sizes.append(np.ones(int(objective.nodes is not None)))
    return np.asarray(1.0 / np.concatenate(sizes))


def largest_of(columns: FloatArray) -> FloatArray:
    """Return the largest absolute value of each column, shape (p,)."""
    if not columns.shape[1]:
        return np.empty(0)
    high, low = columns.max(axis=0), columns.min(axis=0)
    return np.asarray(np.maximum(np.maximum(high, -low), 1e-300), dtype=np.float64)
