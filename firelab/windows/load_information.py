r"""What a load of tiles would teach of the stage fit, before it is fired.

A tile at coded setting :math:`x` has latent distances
:math:`t_j = \theta_j - x^\top\beta - b` with :math:`b` the effect of its load.
Graded, it carries the Fisher information
:math:`M = \sum_k \dot p_k \dot p_k^\top / p_k` of :math:`t`, with
:math:`p_k = F(t_k) - F(t_{k-1})`. The tiles of a load share :math:`b`, which is
integrated out: with :math:`A_i = \partial t_i / \partial(\theta, \beta)`,

.. math:: I = \sum_i A_i^\top M_i A_i - v v^\top / (m + \sigma^{-2}),
   \quad v = \sum_i A_i^\top M_i 1, \quad m = \sum_i 1^\top M_i 1.

The expectation over the posterior is an average over its draws (Chaloner and
Verdinelli 1995, Statist. Sci. 10, 273-304).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.links import link_named
from firelab.fits.stage_draws import StageDraws

FloatArray = NDArray[np.float64]

_LEAST_PROBABILITY = 1e-10
_LEAST_SD = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TileInformation:
    r"""Parts of a load's information, per draw and per tile of the load.

    Attributes
    ----------
    own : ndarray, shape (S, n, q, q)
        :math:`A_i^\top M_i A_i`, q = J - 1 + p thresholds and coefficients.
    shared : ndarray, shape (S, n, q)
        :math:`A_i^\top M_i 1`.
    total : ndarray, shape (S, n)
        :math:`1^\top M_i 1`.
    """

    own: FloatArray
    shared: FloatArray
    total: FloatArray

    def taken(self, tiles: list[int]) -> TileInformation:
        """Return the parts of some of the tiles."""
        return TileInformation(
            own=self.own[:, tiles], shared=self.shared[:, tiles], total=self.total[:, tiles]
        )


def tile_information(draws: StageDraws, X: FloatArray) -> TileInformation:
    """Return the information of n tiles under every draw.

    Parameters
    ----------
    draws : StageDraws
        S draws.
    X : ndarray, shape (n, p)
        Coded columns.
    """
    link = link_named(draws.link)
    cuts = draws.thresholds[:, None, :] - draws.linear(X)[:, :, None]
    below = link.cdf(cuts)
    slope = link.pdf(cuts)
    ends = np.concatenate([below, np.ones((*below.shape[:2], 1))], axis=2)
    each = np.diff(ends, axis=2, prepend=0.0)
    weight = 1.0 / np.maximum(each, _LEAST_PROBABILITY)
    n_cuts = cuts.shape[2]
    M = np.zeros((*cuts.shape, n_cuts))
    for j in range(n_cuts):
        M[..., j, j] = slope[..., j] ** 2 * (weight[..., j] + weight[..., j + 1])
        if j + 1 < n_cuts:
            across = -slope[..., j] * slope[..., j + 1] * weight[..., j + 1]
            M[..., j, j + 1] = M[..., j + 1, j] = across
    A = np.concatenate(
        [
            np.broadcast_to(np.eye(n_cuts), (len(X), n_cuts, n_cuts)),
            np.broadcast_to(-X[:, None, :], (len(X), n_cuts, X.shape[1])),
        ],
        axis=2,
    )
    half = np.einsum("njq,snjk->snqk", A, M)
    return TileInformation(
        own=np.einsum("snqk,nkr->snqr", half, A),
        shared=half.sum(axis=3),
        total=M.sum(axis=(2, 3)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadSoFar:
    """A load that is being filled: sums of its tiles' information, per draw."""

    own: FloatArray
    shared: FloatArray
    total: FloatArray
    load_variance: FloatArray

    @classmethod
    def empty(cls, draws: StageDraws) -> LoadSoFar:
        """Return a load with no tile in it."""
        count, q = draws.n_draws, draws.thresholds.shape[1] + draws.coefficients.shape[1]
        return cls(
            own=np.zeros((count, q, q)),
            shared=np.zeros((count, q)),
            total=np.zeros(count),
            load_variance=np.maximum(draws.load_sd, _LEAST_SD) ** 2,
        )

    def with_tile(self, tiles: TileInformation, place: int) -> LoadSoFar:
        """Return the load with one more tile."""
        return LoadSoFar(
            own=self.own + tiles.own[:, place],
            shared=self.shared + tiles.shared[:, place],
            total=self.total + tiles.total[:, place],
            load_variance=self.load_variance,
        )

    def expected_with_each(self, tiles: TileInformation) -> FloatArray:
        """Return the load's expected information with each of n tiles added.

        Returns
        -------
        ndarray, shape (n, q, q)
        """
        shared = self.shared[:, None] + tiles.shared
        spread = self.total[:, None] + tiles.total + 1.0 / self.load_variance[:, None]
        own = self.own.mean(axis=0) + tiles.own.mean(axis=0)
        scaled = shared / np.sqrt(spread)[..., None]
        lost = np.einsum("snq,snr->nqr", scaled, scaled) / len(self.total)
        return np.asarray(own - lost)

    def expected(self) -> FloatArray:
        """Return the load's expected information, shape (q, q)."""
        spread = self.total + 1.0 / self.load_variance
        scaled = self.shared / np.sqrt(spread)[:, None]
        return np.asarray(self.own.mean(axis=0) - scaled.T @ scaled / len(self.total))
