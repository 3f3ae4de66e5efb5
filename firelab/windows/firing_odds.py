r"""What a series could fire, its odds now and after one more look, and the likeliest.

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
from dataclasses import dataclass, replace
from itertools import combinations_with_replacement, product
from math import factorial

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.craft.materials import grain_um
from firelab.fits.ordinal.stage_draws import evenly_taken
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.plan import is_allowed
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.terms import model_matrix
from firelab.windows.edges.fired_range import FiredRange
from firelab.windows.edges.target_at_setting import TargetAtSetting
from firelab.windows.setting_window import LikeliestFiring

_MOST_VALUES = 3_000_000
"""Draws times firings that are weighed at once: a fifth of a second (chosen here)."""
_DRAWS = (400, 1000)
"""Fewest and most draws that odds average: an error below 1 in 100 (chosen here)."""
_FINE = 61
"""Temperatures that are compared (chosen here, no source): a step of the dial of 5 degF
where the range is 300."""
_MOST_TRIED = 400
"""Firings whose next look is foreseen, spread over those compared (chosen here)."""
_TEMPERATURES, _DWELLS = 25, 5
"""Candidates of a look-ahead over the series' range (chosen here, no source): a tenth of
a window apart."""


def candidate_temperatures(
    series: FiringSeries, count: int = _TEMPERATURES
) -> tuple[float, ...]:
    """Return about `count` temperatures of a series that its kiln can be set to, degC."""
    spread = np.linspace(*series.span("temperature"), count)
    return tuple(sorted({settable_temperature(series, float(degC)) for degC in spread}))


def candidate_dwells(series: FiringSeries) -> tuple[float, ...]:
    """Return the dwells of a series' levels and settable ones between, s, rising."""
    spread = np.geomspace(*series.span("dwell"), _DWELLS)
    dwells = {settable_dwell(series, float(s)) for s in spread}
    if not series.factors.is_range("dwell"):
        dwells |= {float(level) for level in series.factors.levels("dwell")}
    return tuple(sorted(dwells))


def candidate_tiles(series: FiringSeries, *temperatures_degC: float) -> pd.DataFrame:
    """Return every setting that one load at each of some temperatures could hold.

    Dwells are the series' levels and settable ones between; mesh, layers and
    base are its levels; what a rule forbids is left out.
    """
    dwells = candidate_dwells(series)
    levels = [series.factors.levels(name) for name in ("mesh", "layers", "base")]
    frame = pd.DataFrame(
        list(product(temperatures_degC, dwells, *levels)),
        columns=["temperature_degC", "dwell_s", "mesh", "layers", "base"],
    )
    frame.insert(3, "grain_um", [grain_um(int(mesh)) for mesh in frame["mesh"]])
    return frame[is_allowed(series, frame)].reset_index(drop=True)


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

    def best(self, rows: IntArray | None = None) -> int:
        """Return the firing of highest odds among some rows, the middle one of equals."""
        within = np.arange(len(self.table)) if rows is None else rows
        now = self.now[within]
        top = within[now >= now.max() - 1e-12]
        return int(top[len(top) // 2])

    def after(self, firings: IntArray, tiles: int = 1) -> FloatArray:
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

    def tried(self, allowed: BoolArray) -> IntArray:
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
    degrees = candidate_temperatures(series, _FINE)
    table = candidate_tiles(series, *degrees)
    few, many = _DRAWS
    count = int(np.clip(_MOST_VALUES // max(1, 45 * len(table)), few, many))
    kept = evenly_taken(fit.draws.n_draws, count)
    draws = fit.draws.take(kept)
    chances = draws.grade_probabilities(model_matrix(series, table, fit.terms))
    first, last = series.responses.stage.target_span
    slip = np.broadcast_to(fit.slip, fit.draws.n_draws)[kept]
    return FiringOdds(
        table=table,
        chances=chances,
        target=chances[:, :, first : last + 1].sum(axis=2),
        slip=slip,
    )


def likeliest_firing(
    target: TargetAtSetting, odds: FiringOdds | None = None
) -> LikeliestFiring | None:
    """Return the likeliest firing at a setting; None where rules forbid every one.

    Unlike a recipe it promises nothing but its odds, so it is always there, and it may
    lie beyond what was fired as long as it is inside the range of the series.

    Parameters
    ----------
    target : TargetAtSetting
        Its series fixes the range and what the kiln can be set to.
    odds : FiringOdds, optional
        Of the same fit, where they are known: the answer is then theirs.
    """
    if odds is not None:
        return _of_odds(target, odds)
    series, fired = target.series, target.fired
    (coolest, hottest), (shortest, longest) = (
        series.span("temperature"),
        series.span("dwell"),
    )
    whole = FiredRange(
        coolest_degC=min(coolest, fired.coolest_degC),
        hottest_degC=max(hottest, fired.hottest_degC),
        shortest_s=min(shortest, fired.shortest_s),
        longest_s=max(longest, fired.longest_s),
    )
    degC, seconds = candidate_temperatures(series, _FINE), candidate_dwells(series)
    T, d = (axis.ravel() for axis in np.meshgrid(degC, seconds))
    allowed = target.allowed(T, d)
    if not allowed.any():
        return None
    T, d = T[allowed], d[allowed]
    mean = replace(target, fired=whole, table=None).mean_probability(T, d)
    best = int(np.argmax(mean))
    return LikeliestFiring(
        temperature_degC=float(T[best]),
        dwell_s=float(d[best]),
        probability=float(mean[best]),
        beyond=_beyond(fired, float(T[best]), float(d[best])),
    )


def _of_odds(target: TargetAtSetting, odds: FiringOdds) -> LikeliestFiring | None:
    rows = np.flatnonzero(
        np.logical_and.reduce(
            [(odds.table[name] == level) for name, level in target.setting.items()]
        )
    )
    if not len(rows):
        return None
    best = odds.best(rows)
    degC, seconds = (float(odds.table[one].iloc[best]) for one in _FIRING)
    return LikeliestFiring(
        temperature_degC=degC,
        dwell_s=seconds,
        probability=float(odds.now[best]),
        beyond=_beyond(target.fired, degC, seconds),
    )


_FIRING = ("temperature_degC", "dwell_s")


def _beyond(fired: FiredRange, degC: float, seconds: float) -> str:
    sides = []
    if not fired.holds_temperature(degC):
        sides.append("hotter" if degC > fired.hottest_degC else "cooler")
    if not fired.holds_dwell(seconds):
        sides.append("longer" if seconds > fired.longest_s else "shorter")
    return " and ".join(sides)
