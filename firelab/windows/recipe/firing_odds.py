r"""The odds of every firing of a series, now and after one more look.

With S posterior draws and :math:`p_{ys}(x)` the probability in draw s that a tile of a
future load, fired at :math:`x`, is graded :math:`y`, the odds of a firing are the mean
of its target's :math:`p` over draws. A look at a tile fired at :math:`c` weighs the draws
by :math:`p_{ys}(c)`, so the odds of the firing that is then best are, on average,
:math:`\sum_y \max_x S^{-1} \sum_s p_{ys}(c)\,p_s(x)` (the knowledge gradient of
Frazier, Powell and Dayanik 2008, by importance weights). One look may change no choice
where several would: of several at the same :math:`c` every count of grades is followed in
the same way (Frazier and Powell 2010).

References
----------
.. [1] Frazier, P., Powell, W. & Dayanik, S. (2008). A knowledge-gradient policy for
   sequential information collection. *SIAM J. Control Optim.*, 47(5), 2410-2439.
.. [2] Frazier, P. & Powell, W. (2010). Paradoxes in learning and the marginal value of
   information. *Decision Analysis*, 7(4), 378-403.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations_with_replacement
from math import factorial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.fits.ordinal.stage_draws import evenly_taken
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.series.terms import model_matrix
from firelab.windows.recipe.candidate_firings import (
    candidate_temperatures,
    candidate_tiles,
)

FloatArray = NDArray[np.float64]

_MOST_VALUES = 3_000_000
"""Draws times firings that are weighed at once: a fifth of a second (chosen here)."""
_DRAWS = (400, 1000)
"""Fewest and most draws that odds average: an error below 1 in 100 (chosen here)."""
_TEMPERATURES = 61
"""Temperatures that are compared (chosen here, no source): a step of the dial of 5 degF
where the range is 300."""
_MOST_TRIED = 400
"""Firings whose next look is foreseen, spread over those compared (chosen here)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FiringOdds:
    """What could be fired, and what each of S draws says of its grade.

    Attributes
    ----------
    table : DataFrame, n rows
        As `candidate_tiles`.
    chances : ndarray, shape (S, n, J)
        Of each grade of a tile in a future session, load and place.
    target : ndarray, shape (S, n)
        Of the wanted grades.
    slip : ndarray, shape (S,)
        That the next look is a slip.
    """

    table: pd.DataFrame
    chances: FloatArray
    target: FloatArray
    slip: FloatArray

    @property
    def now(self) -> FloatArray:
        """The odds of the target at each firing, shape (n,)."""
        return np.asarray(self.target.mean(axis=0))

    @property
    def known(self) -> float:
        """The best odds to be expected if all there is to know were known."""
        return float(self.target.max(axis=1).mean())

    @property
    def grades(self) -> FloatArray:
        """The probability of each grade at each firing, shape (n, J)."""
        return np.asarray(self.chances.mean(axis=0))

    def best(self, rows: NDArray[np.int64] | None = None) -> int:
        """Return the firing of highest odds among some rows, the middle one of equals."""
        within = np.arange(len(self.table)) if rows is None else rows
        now = self.now[within]
        top = within[now >= now.max() - 1e-12]
        return int(top[len(top) // 2])

    def after(self, firings: NDArray[np.int64], tiles: int = 1) -> FloatArray:
        """Return the best odds to be expected after more looks, by where they are fired.

        Parameters
        ----------
        firings : ndarray of int, shape (m,)
            Rows of the table.
        tiles : int, default 1
            New tiles, all at that firing, each in a load and place of its own.

        Returns
        -------
        ndarray, shape (m,)
            Never below the best odds now, but for rounding.
        """
        count, _, n_grades = self.chances.shape
        slip = self.slip[:, None, None]
        seen = (1.0 - slip) * self.chances[:, firings] + slip / n_grades
        reached = np.zeros(len(firings))
        for grades in combinations_with_replacement(range(n_grades), tiles):
            orders = factorial(tiles)
            chance = np.full(seen.shape[:2], 1.0 / count)
            for grade, times in Counter(grades).items():
                orders //= factorial(times)
                chance *= seen[:, :, grade] ** times
            reached += orders * (chance.T @ self.target).max(axis=1)
        return reached

    def tried(self, allowed: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return rows whose next look is worth foreseeing: few enough, the best among."""
        rows = np.flatnonzero(allowed)
        if len(rows) <= _MOST_TRIED:
            return rows
        few = rows[np.linspace(0, len(rows) - 1, _MOST_TRIED).round().astype(np.int64)]
        return np.union1d(few, [rows[int(self.now[rows].argmax())]])


def firing_odds(fit: StagePosterior) -> FiringOdds:
    """Work out the odds of every firing that a series and its rules allow.

    Parameters
    ----------
    fit : StagePosterior
        Of the looks so far, or of none.
    """
    series = fit.series
    degrees = candidate_temperatures(series, _TEMPERATURES)
    table = candidate_tiles(series, *degrees)
    few, many = _DRAWS
    count = int(np.clip(_MOST_VALUES // max(1, 45 * len(table)), few, many))
    kept = evenly_taken(fit.draws.n_draws, count)
    draws = fit.draws.take(kept)
    eta = draws.linear(model_matrix(series, table, fit.terms))
    below = draws.cumulative(draws.thresholds[:, None, :] - eta[:, :, None])
    chances = np.diff(below, axis=2, prepend=0.0, append=1.0)
    first, last = series.responses.stage.target_span
    slip = np.broadcast_to(fit.slip, fit.draws.n_draws)[kept]
    return FiringOdds(
        table=table,
        chances=chances,
        target=chances[:, :, first : last + 1].sum(axis=2),
        slip=slip,
    )
