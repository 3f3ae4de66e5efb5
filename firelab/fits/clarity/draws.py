r"""Posterior draws of a clarity fit, and what they say of a future tile.

The score of a tile is :math:`\alpha + x^\top\beta + u + e` with a load effect
:math:`u \sim N(0, \sigma_u^2)` and a residual :math:`e \sim N(0, \sigma^2)`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityDraws:
    """Equally weighted posterior draws of the clarity score, S of them.

    Attributes
    ----------
    intercept : ndarray, shape (S,)
        Score at the centre of every coded factor, first base.
    coefficients : ndarray, shape (S, p)
        Score per unit of each column of the design.
    load_sd, residual_sd : ndarray, shape (S,)
        In units of the score.
    """

    intercept: FloatArray
    coefficients: FloatArray
    load_sd: FloatArray
    residual_sd: FloatArray

    @property
    def n_draws(self) -> int:
        """Number of draws, S."""
        return int(self.intercept.size)

    def mean_score(self, X: ArrayLike) -> FloatArray:
        """Return the mean score of each row of coded columns, shape (S, n)."""
        coded = np.atleast_2d(np.asarray(X, dtype=float))
        mean = self.intercept[:, None] + self.coefficients @ coded.T
        return np.asarray(mean, dtype=float)

    def probability_clear(
        self, X: ArrayLike, target: float, sign: int, half_step: float
    ) -> FloatArray:
        """Return the probability that a new tile in a future load is clear enough.

        Parameters
        ----------
        X : array_like, shape (n, p)
            Columns without an intercept, as the design of the fit makes them.
        target : float
            Wanted score; a tile at it counts as clear.
        sign : {1, -1}
            1 where a higher score is clearer, -1 where a lower one is.
        half_step : float
            Half the step of the scale: scores are whole steps, so a latent
            score within half a step of the target is written as the target.

        Returns
        -------
        ndarray, shape (S, n)
            Marginal over the future load's effect and the tile's residual.

        Examples
        --------
        >>> draws = ClarityDraws(
        ...     intercept=np.array([6.5]), coefficients=np.array([[1.0]]),
        ...     load_sd=np.array([0.6]), residual_sd=np.array([0.8]))
        >>> draws.probability_clear([[0.0], [1.0]], 7.0, 1, 0.5).round(4)
        array([[0.5   , 0.8413]])
        """
        spread = np.maximum(np.hypot(self.load_sd, self.residual_sd), 1e-12)[:, None]
        distance = sign * (self.mean_score(X) - target) + half_step
        return np.asarray(ndtr(distance / spread), dtype=float)
