"""Log posterior with every load's and tile's effect held explicitly.

Where tiles are looked at more than once, in several loads, the effects cross
and no one-dimensional integral is left; the sampler then moves the effects
along with the rest, each as a standard normal score times its deviation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.priors import Priors
from firelab.fits.ordinal.stage_posterior_density import (
    GradedLooks,
    by_threshold,
    look_ends,
)
from firelab.fits.ordinal.stage_posterior_grades import log_between, slopes_between
from firelab.fits.ordinal.stage_posterior_layout import Layout

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectsDensity:
    """Log posterior over the q parameters, L load scores and T tile scores.

    Attributes
    ----------
    looks : GradedLooks
    layout : Layout
        With a tile effect where T is not 0.
    priors : Priors
    link : str
    """

    looks: GradedLooks
    layout: Layout
    priors: Priors
    link: str

    @property
    def n_loads(self) -> int:
        """Number of loads, L."""
        return int(self.looks.load.max()) + 1

    @property
    def n_tiles(self) -> int:
        """Number of tile scores, T: 0 where there is no tile effect."""
        return int(self.looks.tile.max()) + 1 if self.layout.has_tiles else 0

    @property
    def n_coordinates(self) -> int:
        """Length of a point, q + L + T."""
        return self.layout.n_parameters + self.n_loads + self.n_tiles

    def log_density_and_gradient(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return log posterior, shape (C,), and gradient, shape (C, q + L + T)."""
        q, loads, looks = self.layout.n_parameters, self.n_loads, self.looks
        own, load_scores = points[:, :q], points[:, q : q + loads]
        tile_scores = points[:, q + loads :]
        natural = self.layout.natural(own)
        effect = natural.load_sd[:, None] * load_scores[:, looks.load]
        if self.n_tiles:
            effect += natural.tile_sd[:, None] * tile_scores[:, looks.tile]
        lower, upper = (end - effect for end in look_ends(natural, looks))
        logs = log_between(self.link, lower, upper)
        by_lower, by_upper = slopes_between(self.link, lower, upper, logs)
        by_effect = -(by_lower + by_upper)
        by_load = _gather(by_effect, looks.load, loads)
        by_tile = _gather(by_effect, looks.tile, self.n_tiles)
        gradient = self.layout.pull_back(
            own,
            natural,
            by_threshold(looks.grade, self.layout.n_grades, by_lower, by_upper),
            looks.by_coefficient(natural.coefficients, by_effect),
            (by_load * load_scores).sum(axis=1),
            (by_tile * tile_scores).sum(axis=1),
        )
        scores = points[:, q:]
        value = logs.sum(axis=1) - 0.5 * (scores**2).sum(axis=1)
        slope = np.hstack(
            [
                gradient + self.priors.gradient(own),
                natural.load_sd[:, None] * by_load - load_scores,
                natural.tile_sd[:, None] * by_tile - tile_scores,
            ]
        )
        return value + self.priors.log_density(own), slope


def _gather(by_look: FloatArray, group: NDArray[np.int64], count: int) -> FloatArray:
    """Sum (C, n) columns by group into (C, count)."""
    member = np.zeros((by_look.shape[1], count))
    if count:
        member[np.arange(group.size), group] = 1.0
    return by_look @ member
