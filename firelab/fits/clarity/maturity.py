r"""The columns that clarity is fitted on, and posterior draws of the score they give.

The score of a tile is :math:`\alpha + x^\top\beta + u + e` with a load effect
:math:`u \sim N(0, \sigma_u^2)` and a residual :math:`e \sim N(0, \sigma^2)`. Its
columns are the coded factors, or follow maturity, how far a firing takes a tile
through the target stage. With :math:`\eta` the stage's linear predictor and
:math:`l, h` the thresholds at the ends of the target, all at their posterior means,
maturity is :math:`m = (\eta - (l + h)/2) / ((h - l)/2)`: -1 where the target is as
likely as not reached, +1 where it is as likely as not passed. The clarity of a colour
rises, peaks and falls with it: the score has a column for m and one for its square;
mesh, coats and base shift it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtr

from firelab.arrays import BoolArray, FloatArray
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.ordinal.warming_up import without_warm_up
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import (
    DWELL_SQUARED,
    ModelColumn,
    model_matrix,
    split_term,
    term_columns,
)

MATURITY = "maturity"
_HEAT = {"temperature", "dwell"}
_NEAR = 1.5
"""Maturity beyond which hardly a tile is at the target, and its clarity is no more than
extrapolated (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MaturityColumn:
    """A power of the maturity as a column of a design matrix."""

    power: int
    base: None = None

    @property
    def is_product(self) -> bool:
        """Never: its square has a prior of its own, as wide as that of the maturity."""
        return False

    def __str__(self) -> str:
        """Return the label that tables and files carry."""
        return MATURITY if self.power == 1 else f"{MATURITY}^{self.power}"


ClarityColumn = ModelColumn | MaturityColumn
_POWERS = (MaturityColumn(power=1), MaturityColumn(power=2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maturity:
    """How a setting's maturity follows from the stage.

    Attributes
    ----------
    terms : tuple of str
        Of the stage.
    coefficients : ndarray, shape (p,)
    middle, half_width : float
        Of the target stage, latent units.
    """

    terms: tuple[str, ...]
    coefficients: FloatArray
    middle: float
    half_width: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityDesign:
    """The columns of a clarity fit.

    Attributes
    ----------
    series : FiringSeries
    terms : tuple of str
        Of coded factors; behind those of the maturity, where there is one.
    maturity : Maturity or None
    """

    series: FiringSeries
    terms: tuple[str, ...]
    maturity: Maturity | None

    @property
    def columns(self) -> tuple[ClarityColumn, ...]:
        """The p columns."""
        coded = term_columns(self.series, self.terms)
        return coded if self.maturity is None else (*_POWERS, *coded)

    @property
    def owners(self) -> tuple[str, ...]:
        """The term that each column belongs to."""
        coded = [t for t in self.terms for _ in term_columns(self.series, [t])]
        return (*coded,) if self.maturity is None else (*map(str, _POWERS), *coded)

    def matrix(self, settings: pd.DataFrame) -> FloatArray:
        """Return the design matrix of n settings, without an intercept, shape (n, p)."""
        coded = model_matrix(self.series, settings, self.terms)
        if self.maturity is None:
            return coded
        m = self.maturity_of(settings)
        return np.column_stack([m, m * m, coded])

    def maturity_of(self, settings: pd.DataFrame) -> FloatArray:
        """Return the maturity of n settings, 0 where the fit has none, shape (n,)."""
        known = self.maturity
        if known is None:
            return np.zeros(len(settings))
        eta = model_matrix(self.series, settings, known.terms) @ known.coefficients
        return np.asarray((eta - known.middle) / known.half_width)

    def near_target(self, settings: pd.DataFrame) -> BoolArray:
        """Tell which of n settings bring a tile near the target stage, shape (n,)."""
        return np.abs(self.maturity_of(settings)) <= _NEAR


def clarity_design(
    series: FiringSeries, terms: Sequence[str], stage: StagePosterior | None
) -> ClarityDesign:
    """Return the design of a clarity fit.

    Parameters
    ----------
    series : FiringSeries
    terms : sequence of str
    stage : StagePosterior, optional
        With it, maturity takes the place of all terms with temperature or dwell;
        not where it has a square of either, of which a maturity has no plain square.
    """
    heated = [term for term in terms if _HEAT & {name for name, _ in split_term(term)}]
    maturity = _maturity(stage) if stage is not None and heated else None
    kept = [term for term in terms if maturity is None or term not in heated]
    return ClarityDesign(series=series, terms=tuple(kept), maturity=maturity)


def _maturity(stage: StagePosterior) -> Maturity | None:
    # A maturity's square must stay within squares: warming up is left out of it.
    terms = without_warm_up(stage.terms)
    kept = [k for k, column in enumerate(stage.columns) if column != DWELL_SQUARED]
    heats = [p for term in terms for p in split_term(term) if p[0] in _HEAT]
    if not heats or any(power > 1 for _, power in heats):
        return None
    series, draws = stage.series, stage.draws
    coefficients = draws.coefficients.mean(axis=0)[kept]
    thresholds = draws.thresholds.mean(axis=0)
    fired = model_matrix(series, stage.looks, terms) @ coefficients
    first, last = series.responses.stage.target_span
    low = thresholds[first - 1] if first else min(fired.min(), thresholds[last] - 1.0)
    is_open = last == len(thresholds)
    high = max(fired.max(), low + 1.0) if is_open else thresholds[last]
    return Maturity(
        terms=terms,
        coefficients=coefficients,
        middle=float((low + high) / 2.0),
        half_width=float((high - low) / 2.0),
    )


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
