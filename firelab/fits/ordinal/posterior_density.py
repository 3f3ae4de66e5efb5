r"""The log posterior of the stage at many points at once, with its gradient.

With one random effect, the load's, that effect is integrated out on nodes which all
points share. Where effects cross, no one-dimensional integral is left: each is held
as standard normal scores times its standard deviation, and sampled along.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.fits.ordinal.added_heat import AddedHeat, with_added_heat
from firelab.fits.ordinal.likelihood import (
    by_threshold,
    grade_ends,
    grouped_looks,
    independent_looks,
)
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.looks import Groups
from firelab.fits.ordinal.parameters import Parameterisation
from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.quadrature import Nodes, even_nodes

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_CHUNK = 250_000
"""Values of points times looks times nodes worked at a time: 2 MB stay in the cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedLooks:
    """Graded looks with the groups that share random effects, sorted by load.

    Attributes
    ----------
    grade : ndarray of int, shape (n,)
        Place on the scale.
    X : ndarray, shape (n, p)
        Coded columns.
    labels : dict of str to ndarray of int, shape (n,)
        Group of each look by effect, numbered from 0; ``load`` never falls.
    heat : AddedHeat or None
        Of tiles fired at several temperatures.
    """

    grade: IntArray
    X: FloatArray
    labels: dict[str, IntArray]
    heat: AddedHeat | None = None

    @property
    def n_looks(self) -> int:
        """Number of looks, n."""
        return int(self.grade.size)

    @property
    def has_tiles_again(self) -> bool:
        """Whether a tile was looked at more than once."""
        return bool(self.n_looks and np.bincount(self.labels["tile"]).max() > 1)

    def eta(self, coefficients: FloatArray) -> FloatArray:
        """Return the latent grade without random effects, (M, n)."""
        return with_added_heat(coefficients, self.X, self.heat)

    def by_coefficient(self, coefficients: FloatArray, by_eta: FloatArray) -> FloatArray:
        """Turn slopes by the latent grade, (M, n), into (M, p) by coefficient."""
        by = by_eta @ self.X
        if self.heat is not None:
            by += self.heat.by_coefficient(coefficients, by_eta[:, self.heat.rows])
        return np.asarray(by)


def sort_looks(
    graded: pd.DataFrame, X: FloatArray, heat: AddedHeat | None = None
) -> SharedLooks:
    """Return the graded looks of a frame, sorted by load."""
    load = pd.factorize(graded["load"], sort=True)[0]
    order = np.argsort(load, kind="stable")
    labels = {"load": load, "tile": pd.factorize(graded["tile"])[0]}
    return SharedLooks(
        grade=np.asarray(graded["stage"].cat.codes, dtype=np.int64)[order],
        X=np.asarray(X, dtype=float)[order],
        labels={name: group.astype(np.int64)[order] for name, group in labels.items()},
        heat=None if heat is None else heat.reordered(order),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageDensity:
    """Log posterior over the q unconstrained parameters, the load effect integrated.

    Attributes
    ----------
    looks : SharedLooks
    layout : Parameterisation
        With the load effect alone.
    priors : Priors
    link : str
    groups : Groups
    nodes : Nodes
    """

    looks: SharedLooks
    layout: Parameterisation
    priors: Priors
    link: str
    groups: Groups
    nodes: Nodes

    def log_density(self, points: FloatArray) -> FloatArray:
        """Return the log posterior up to a constant of (M, q) points, shape (M,)."""
        size = max(1, _CHUNK // max(1, self.looks.n_looks * self.nodes.place.size))
        values = []
        for start in range(0, len(points), size):
            stage = self.layout.stage_parameters(points[start : start + size])
            ends = grade_ends(
                self.looks.grade, stage.thresholds, self.looks.eta(stage.coefficients)
            )
            values.append(
                grouped_looks(
                    link_named(self.link),
                    *ends,
                    stage.sd,
                    self.groups,
                    self.nodes,
                    with_slopes=False,
                ).value
            )
        return np.concatenate(values) + self.priors.log_density(points)

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the log posterior, shape (M,), and its gradient, shape (M, q)."""
        stage, looks = self.layout.stage_parameters(points), self.looks
        ends = grade_ends(looks.grade, stage.thresholds, looks.eta(stage.coefficients))
        found = grouped_looks(
            link_named(self.link), *ends, stage.sd, self.groups, self.nodes
        )
        gradient = self.layout.gradient(
            points,
            stage,
            by_threshold(looks.grade, self.layout.n_grades, found.by_lower, found.by_upper),
            looks.by_coefficient(stage.coefficients, -(found.by_lower + found.by_upper)),
            found.by_effect.sum(axis=1, keepdims=True),
        )
        value = found.value + self.priors.log_density(points)
        return value, gradient + self.priors.gradient(points)


def make_density(
    looks: SharedLooks, layout: Parameterisation, priors: Priors, *, link: str
) -> StageDensity:
    """Set up the posterior of looks that share loads."""
    load = looks.labels["load"]
    return StageDensity(
        looks=looks,
        layout=layout,
        priors=priors,
        link=link,
        groups=Groups.of(load),
        nodes=even_nodes(int(np.bincount(load).max()) if load.size else 1),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExplicitDensity:
    """Log posterior over the q parameters and the scores of every random effect.

    A point holds the q parameters, then one standard normal score per group of each
    effect of the layout, in its order.

    Attributes
    ----------
    looks : SharedLooks
    layout : Parameterisation
    priors : Priors
    link : str
    """

    looks: SharedLooks
    layout: Parameterisation
    priors: Priors
    link: str

    @property
    def sizes(self) -> tuple[int, ...]:
        """Number of groups of each effect."""
        labels = self.looks.labels
        return tuple(int(labels[effect.name].max()) + 1 for effect in self.layout.effects)

    @property
    def n_coordinates(self) -> int:
        """Length of a point."""
        return self.layout.n_parameters + sum(self.sizes)

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return log posterior, shape (C,), and gradient, shape (C, n_coordinates)."""
        q, looks = self.layout.n_parameters, self.looks
        own = points[:, :q]
        stage = self.layout.stage_parameters(own)
        eta = looks.eta(stage.coefficients)
        bounds = q + np.cumsum([0, *self.sizes])
        for place, effect in enumerate(self.layout.effects):
            scores = points[:, bounds[place] : bounds[place + 1]]
            eta = eta + stage.sd[:, [place]] * scores[:, looks.labels[effect.name]]
        found = independent_looks(
            link_named(self.link), *grade_ends(looks.grade, stage.thresholds, eta)
        )
        by_eta = -(found.by_lower + found.by_upper)
        slopes, by_sd = [], np.empty_like(stage.sd)
        for place, effect in enumerate(self.layout.effects):
            scores = points[:, bounds[place] : bounds[place + 1]]
            by_group = sum_by_group(by_eta, looks.labels[effect.name], self.sizes[place])
            by_sd[:, place] = (by_group * scores).sum(axis=1)
            slopes.append(stage.sd[:, [place]] * by_group - scores)
        gradient = self.layout.gradient(
            own,
            stage,
            by_threshold(looks.grade, self.layout.n_grades, found.by_lower, found.by_upper),
            looks.by_coefficient(stage.coefficients, by_eta),
            by_sd,
        )
        value = found.value - 0.5 * (points[:, q:] ** 2).sum(axis=1)
        return (
            value + self.priors.log_density(own),
            np.hstack([gradient + self.priors.gradient(own), *slopes]),
        )


def sum_by_group(by_look: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Sum (M, n) columns by group into (M, count)."""
    member = np.zeros((by_look.shape[1], count))
    member[np.arange(group.size), group] = 1.0
    return by_look @ member
