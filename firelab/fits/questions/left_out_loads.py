r"""Prediction of loads that a fit has not seen.

Each load is left out in turn and its looks predicted from the others, as a
future load would be. The ranked probability score
:math:`\sum_j (P(y \le j) - 1[y \le j])^2 / (J - 1)` (Epstein 1969) is 0 for a
certain and right prediction, and finite even where a grade was not seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.errors import RecordsInsufficient, UsageError
from firelab.fits.ordinal.cumulative_link import fit_cumulative_link
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.likelihood import normal_points
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.look_table import estimable_places

Predictor = Callable[[BoolArray], FloatArray]

_NODES = 40
"""Gauss-Hermite nodes of a future load's effect: a steep grade averages to 1e-6 (chosen
here, no source)."""
FEWEST_LOADS = 3
"""Loads below which the error of a difference between loads has one degree of freedom
(chosen here, no source)."""
CLEAR = 2.0
"""Standard errors by which a prediction must differ to count (a convention)."""


def grade_probabilities(fit: CumulativeLinkFit, X: ArrayLike) -> FloatArray:
    """Return the probability of each fitted grade in a future load, shape (m, J).

    Parameters
    ----------
    fit : CumulativeLinkFit
    X : array_like, shape (m, p)
        Columns as they were fitted; no nominal ones.

    Raises
    ------
    UsageError
        If the columns are not those that were fitted.
    """
    columns = np.atleast_2d(np.asarray(X, dtype=float))
    if columns.shape[1] != len(fit.coefficients):
        raise UsageError(
            f"{columns.shape[1]} columns, but {len(fit.coefficients)} were fitted",
            hint="give the columns of the fit",
        )
    place, weight = normal_points(_NODES if fit.effect_sd > 0.0 else 1)
    distance = fit.thresholds - (columns @ fit.coefficients)[:, None]
    reached = fit.link.cdf(distance[:, :, None] - fit.effect_sd * place) @ weight
    ends = np.zeros((len(columns), 1))
    return np.diff(np.hstack([ends, reached, ends + 1.0]), axis=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadScores:
    """How well loads were predicted from the others.

    Attributes
    ----------
    load : ndarray of int, shape (G,)
    n_looks : ndarray of int, shape (G,)
    total : ndarray, shape (G,)
        Summed ranked probability score of each load's looks; less is better.
    """

    load: IntArray
    n_looks: IntArray
    total: FloatArray

    @property
    def mean(self) -> float:
        """Mean score per look."""
        return float(self.total.sum() / self.n_looks.sum())

    def worse_than(self, other: LoadScores) -> tuple[float, float]:
        """Return by how much the score is above another's, and the standard error.

        Per look, from the differences between whole loads.
        """
        looks = float(self.n_looks.sum())
        gap = self.total - other.total
        mean = float(gap.sum()) / looks
        rest = gap - mean * self.n_looks
        count = len(gap)
        error = float(np.sqrt(count / (count - 1.0) * np.sum(rest * rest))) / looks
        return mean, error


def ranked_scores(y: IntArray, chances: FloatArray) -> FloatArray:
    """Return the ranked probability score of each look, shape (n,).

    Parameters
    ----------
    y : ndarray of int, shape (n,)
        Grades from 0.
    chances : ndarray, shape (n, J)
        Predicted probabilities.

    Examples
    --------
    >>> ranked_scores(np.array([0, 2]), np.array([[1.0, 0, 0], [0.5, 0.5, 0]]))
    array([0.   , 0.625])
    """
    reached = np.cumsum(chances, axis=1)[:, :-1]
    happened = y[:, None] <= np.arange(chances.shape[1] - 1)
    scores = np.sum((reached - happened) ** 2, axis=1)
    return np.asarray(scores / max(chances.shape[1] - 1, 1))


def score_left_out_loads(y: IntArray, load: IntArray, predict: Predictor) -> LoadScores:
    """Score a way to predict each load from the others.

    Parameters
    ----------
    y : ndarray of int, shape (n,)
    load : ndarray of int, shape (n,)
    predict : callable
        Takes which looks are left out, shape (n,), and returns probabilities of
        their grades, shape (m, J), from the others alone.

    Raises
    ------
    RecordsInsufficient
        If there are fewer than three loads.
    """
    loads = np.unique(load)
    if len(loads) < FEWEST_LOADS:
        raise RecordsInsufficient(
            f"{len(loads)} loads cannot be left out in turn",
            hint=f"fire at least {FEWEST_LOADS} loads",
        )
    counts, totals = [], []
    for one in loads:
        left_out = load == one
        scores = ranked_scores(y[left_out], predict(left_out))
        counts.append(int(np.sum(left_out)))
        totals.append(float(np.sum(scores)))
    return LoadScores(load=loads, n_looks=np.array(counts), total=np.array(totals))


def likelihood_predictor(
    y: IntArray, X: FloatArray, load: IntArray, *, n_grades: int, link: str | Link = "logit"
) -> Predictor:
    """Return a predictor that fits by maximum likelihood with a load effect.

    Columns that the remaining loads cannot tell apart are left out; where only
    one grade remains it is predicted outright; where the grades are separated
    the fit is penalised.
    """

    def predict(left_out: BoolArray) -> FloatArray:
        kept = ~left_out
        seen = np.unique(y[kept])
        chances = np.zeros((int(left_out.sum()), n_grades))
        if len(seen) < 2:
            chances[:, int(seen[0])] = 1.0
            return chances
        estimable = estimable_places(X[kept])
        fit = _fit_or_none(y[kept], X[kept][:, estimable], load[kept], n_grades, link)
        if fit is None:
            shares = np.bincount(y[kept], minlength=n_grades) / kept.sum()
            return np.tile(shares, (int(left_out.sum()), 1))
        chances[:, seen] = grade_probabilities(fit, X[left_out][:, estimable])
        return chances

    return predict


def _fit_or_none(
    y: IntArray, X: FloatArray, load: IntArray, n_grades: int, link: str | Link
) -> CumulativeLinkFit | None:
    groups = load if len(np.unique(load)) < len(load) else None
    try:
        return fit_cumulative_link(y, X, n_grades=n_grades, link=link, groups=groups)
    except RecordsInsufficient:
        return None
