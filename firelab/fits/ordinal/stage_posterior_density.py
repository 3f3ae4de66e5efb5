r"""Log posterior of many points at once, the load effect integrated out.

With :math:`u = \sigma z` the likelihood of a load is
:math:`\int \phi(z) \prod_i P_i(\sigma z)\,dz`, a smooth function under a normal
weight, for which equally spaced points (the trapezoidal rule) converge faster
than any power of their spacing (Trefethen and Weideman 2014). All points of
the posterior share the same nodes, so thousands are evaluated together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import logsumexp

from firelab.fits.ordinal.added_heat import AddedHeat, with_added_heat
from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.stage_posterior_grades import (
    OPEN,
    log_between,
    logit_load_logs,
    slopes_between,
)
from firelab.fits.ordinal.stage_posterior_layout import Layout, Natural

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_REACH = 5.5
_CHUNK = 250_000
_FEWEST_NODES = 23
_MOST_NODES = 71


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradedLooks:
    """The looks of a fit, sorted by load.

    Attributes
    ----------
    grade : ndarray of int, shape (n,)
        Place on the scale.
    X : ndarray, shape (n, p)
        Coded columns.
    load, tile : ndarray of int, shape (n,)
        Running numbers from 0, of which `load` never falls.
    heat : AddedHeat or None
        Of tiles fired at several temperatures.
    """

    grade: IntArray
    X: FloatArray
    load: IntArray
    tile: IntArray
    heat: AddedHeat | None = None

    @property
    def n_looks(self) -> int:
        """Number of looks, n."""
        return int(self.grade.size)

    @property
    def load_starts(self) -> IntArray:
        """First look of each load."""
        return np.flatnonzero(np.diff(self.load, prepend=-1))

    @property
    def looked_again(self) -> bool:
        """Whether a tile was looked at more than once."""
        return bool(self.n_looks and np.bincount(self.tile).max() > 1)

    def eta(self, coefficients: FloatArray) -> FloatArray:
        """Return the latent grade in a mean load, (M, n), under (M, p) coefficients."""
        return with_added_heat(coefficients, self.X, self.heat)

    def by_coefficient(self, coefficients: FloatArray, by_eta: FloatArray) -> FloatArray:
        """Turn slopes by the latent grade, (M, n), into (M, p) by coefficient."""
        by = by_eta @ self.X
        if self.heat is not None:
            by += self.heat.by_coefficient(coefficients, by_eta[:, self.heat.rows])
        return np.asarray(by)


def sort_looks(
    graded: pd.DataFrame, X: FloatArray, heat: AddedHeat | None = None
) -> GradedLooks:
    """Return the graded looks of a frame, sorted by load."""
    loads = pd.factorize(graded["load"], sort=True)[0]
    order = np.argsort(loads, kind="stable")
    tiles = pd.factorize(graded["tile"])[0]
    return GradedLooks(
        grade=np.asarray(graded["stage"].cat.codes, dtype=np.int64)[order],
        X=np.asarray(X, dtype=float)[order],
        load=np.asarray(loads, dtype=np.int64)[order],
        tile=np.asarray(tiles, dtype=np.int64)[order],
        heat=None if heat is None else heat.reordered(order),
    )


def look_ends(natural: Natural, looks: GradedLooks) -> tuple[FloatArray, FloatArray]:
    """Return both latent ends of each look's grade before its load, (M, n) each."""
    count = len(natural.thresholds)
    wall = np.full((count, 1), OPEN)
    ends = np.concatenate([-wall, natural.thresholds, wall], axis=1)
    eta = looks.eta(natural.coefficients)
    return ends[:, looks.grade] - eta, ends[:, looks.grade + 1] - eta


def by_threshold(
    grade: IntArray, n_grades: int, by_lower: FloatArray, by_upper: FloatArray
) -> FloatArray:
    """Gather (M, n) slopes by the ends of the grades into (M, J - 1)."""
    return np.stack(
        [
            by_upper[:, grade == j].sum(axis=1) + by_lower[:, grade == j + 1].sum(axis=1)
            for j in range(n_grades - 1)
        ],
        axis=1,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageDensity:
    """Log posterior over the unconstrained parameters, loads integrated out.

    Attributes
    ----------
    looks : GradedLooks
    layout : Layout
        Without a tile effect.
    priors : Priors
    link : str
    nodes, log_weights : ndarray, shape (Q,)
        Of the integral over a standard normal load effect.
    """

    looks: GradedLooks
    layout: Layout
    priors: Priors
    link: str
    nodes: FloatArray
    log_weights: FloatArray

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log posterior up to a constant of (M, q) points, shape (M,)."""
        size = max(1, _CHUNK // max(1, self.looks.n_looks * self.nodes.size))
        parts = [
            self._log_likelihood(points[start : start + size])
            for start in range(0, len(points), size)
        ]
        return np.concatenate(parts) + self.priors.log_density(points)

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the log posterior, shape (M,), and its gradient, shape (M, q)."""
        natural = self.layout.natural(points)
        looks, starts = self.looks, self.looks.load_starts
        lower, upper = self._ends_at_nodes(natural)
        logs = log_between(self.link, lower, upper)
        at_nodes = np.add.reduceat(logs, starts, axis=1) + self.log_weights
        whole = logsumexp(at_nodes, axis=2)
        share = np.exp(at_nodes - whole[:, :, None])[:, looks.load, :]
        by_lower, by_upper = slopes_between(self.link, lower, upper, logs)
        by_lower, by_upper = by_lower * share, by_upper * share
        by_load_sd = -((by_lower + by_upper) @ self.nodes).sum(axis=1)
        low, high = by_lower.sum(axis=2), by_upper.sum(axis=2)
        gradient = self.layout.pull_back(
            points,
            natural,
            by_threshold(looks.grade, self.layout.n_grades, low, high),
            looks.by_coefficient(natural.coefficients, -(low + high)),
            by_load_sd,
        )
        value = whole.sum(axis=1) + self.priors.log_density(points)
        return value, gradient + self.priors.gradient(points)

    def _ends_at_nodes(self, natural: Natural) -> tuple[FloatArray, FloatArray]:
        lower, upper = look_ends(natural, self.looks)
        shift = (natural.load_sd[:, None] * self.nodes)[:, None, :]
        return lower[:, :, None] - shift, upper[:, :, None] - shift

    def _log_likelihood(self, points: FloatArray) -> FloatArray:
        natural = self.layout.natural(points)
        if self.link == "logit":
            lower, upper = look_ends(natural, self.looks)
            shift = natural.load_sd[:, None] * self.nodes
            at_nodes = logit_load_logs(lower, upper, shift, self.looks.load)
        else:
            logs = log_between(self.link, *self._ends_at_nodes(natural))
            at_nodes = np.add.reduceat(logs, self.looks.load_starts, axis=1)
        at_nodes += self.log_weights
        peak = at_nodes.max(axis=2)
        whole = np.exp(at_nodes - peak[:, :, None]).sum(axis=2)
        return np.asarray((np.log(whole) + peak).sum(axis=1))


def make_density(
    looks: GradedLooks, layout: Layout, priors: Priors, *, link: str
) -> StageDensity:
    """Set up the posterior of some looks."""
    nodes, log_weights = load_nodes(looks.load)
    return StageDensity(
        looks=looks,
        layout=layout,
        priors=priors,
        link=link,
        nodes=nodes,
        log_weights=log_weights,
    )


def load_nodes(load: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return nodes and log weights of the integral over a standard normal load effect.

    Parameters
    ----------
    load : ndarray of int, shape (n,)
        Load of each look, numbered from 0; big loads get closer nodes.

    Returns
    -------
    tuple of (ndarray, ndarray), shape (Q,)
    """
    largest = int(np.bincount(load).max()) if load.size else 1
    count = int(
        np.clip(2 * round(4.0 + 3.5 * np.sqrt(largest)) + 1, _FEWEST_NODES, _MOST_NODES)
    )
    nodes = np.linspace(-_REACH, _REACH, count)
    log_weights = -0.5 * nodes**2
    return nodes, log_weights - logsumexp(log_weights)
