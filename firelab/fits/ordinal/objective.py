"""The log-likelihood of looks as a function to be maximised, block by block.

Blocks keep the memory near that of the data and the columns in the processor's cache.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from firelab.arrays import FloatArray
from firelab.fits.ordinal.adaptive_integral import (
    bend_by_columns,
    integrate_adaptively,
)
from firelab.fits.ordinal.likelihood import Nodes, hermite_nodes
from firelab.fits.ordinal.links import Link, interval_terms
from firelab.fits.ordinal.looks import BLOCK_ROWS, Block, GradedLooks
from firelab.fits.ordinal.maximum import Shape

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
        return Shape(value, gradient, bend_by_columns(block.lower, block.upper, *ends))

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
