r"""An optimal choice of tiles for a series: how many loads, which tiles to keep.

A plan that is best for a straight line fires only its ends, and would never
show that the line bends. Each potential term is added to the model with a prior
of mean 0 and standard deviation one standard deviation within a load, after
taking out what the model's own terms tell of it and scaling it to a range of
one.

References
----------
.. [1] DuMouchel, W. and Jones, B. (1994). A simple Bayesian modification of
   D-optimal designs to reduce dependence on an assumed model. *Technometrics*,
   36(1), 37-47.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.arrays import FloatArray, IntArray
from firelab.plan.optimal.problem import FREE, Criterion, Found, Problem
from firelab.plan.optimal.search import search_design
from firelab.plan.optimal.series_candidates import SeriesCandidates
from firelab.plan.plan import SETTING_COLUMNS, as_settings
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import split_term, term_columns


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProtectedCandidates:
    """Candidates whose rows hold the potential terms too.

    Attributes
    ----------
    choice : SeriesCandidates
        With p model columns and q potential ones.
    prior : ndarray, shape (p + q, p + q)
        Information of the prior: nothing on the model's own columns.
    adjust : ndarray, shape (p, q)
        What is taken out of the potential columns.
    scale : ndarray, shape (q,)
        What they are divided by.
    """

    choice: SeriesCandidates
    prior: FloatArray
    adjust: FloatArray
    scale: FloatArray

    def rows_of(self, raw: FloatArray) -> FloatArray:
        """Return raw columns of primary and potential terms as the search sees them.

        Parameters
        ----------
        raw : ndarray, shape (..., p + q)
        """
        p = len(self.adjust)
        rest = (raw[..., p:] - raw[..., :p] @ self.adjust) / self.scale
        return np.concatenate([raw[..., :p], rest], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chosen:
    """Settings of an optimal plan.

    Attributes
    ----------
    settings : DataFrame
        Setting columns and ``plot``, the load of each row.
    behind : float
        As `firelab.plan.optimal.problem.Found`.
    """

    settings: pd.DataFrame
    behind: float


def potential_terms(series: FiringSeries) -> tuple[str, ...]:
    """Return the potential terms: stated, or bends of temperature and dwell."""
    stated = {split_term(term) for term in series.terms}
    if series.plan.guard is not None:
        return tuple(term for term in series.plan.guard if split_term(term) not in stated)
    bends = []
    for name in ("temperature", "dwell"):
        factor = getattr(series.factors, name)
        bendable = not factor.levels or len(factor.levels) > 2
        if bendable and split_term(f"{name}^2") not in stated:
            bends.append(f"{name}^2")
    return tuple(bends)


def protect_against_bends(
    series: FiringSeries, choice: SeriesCandidates
) -> ProtectedCandidates:
    """Return candidates that hold the potential terms, with their prior.

    Parameters
    ----------
    series : FiringSeries
    choice : SeriesCandidates
        With raw columns of the model's terms and then the potential ones.
    """
    raw, allowed = choice.candidates.rows, choice.candidates.allowed
    p = 1 + len(term_columns(series, series.terms))
    region = raw[allowed]
    adjust = np.linalg.lstsq(region[:, :p], region[:, p:], rcond=None)[0]
    rest = region[:, p:] - region[:, :p] @ adjust
    span = np.ptp(rest, axis=0)
    # A potential term that the region cannot show is left at nothing.
    scale = np.where(span > _NO_SPAN, span, np.inf)
    protected = ProtectedCandidates(
        choice=choice,
        prior=np.diag([0.0] * p + [1.0] * (raw.shape[2] - p)),
        adjust=np.asarray(adjust, dtype=float),
        scale=scale,
    )
    candidates = dataclasses.replace(choice.candidates, rows=protected.rows_of(raw))
    return dataclasses.replace(
        protected, choice=dataclasses.replace(choice, candidates=candidates)
    )


_SPARE_LOADS = 3
_TILES_PER_LOAD = 3
"""Degrees of freedom between loads, and tiles of a load, aimed at (chosen here, no
source)."""
_LEAST_STARTS, _MOST_STARTS, _START_ROWS = 24, 120, 2400
"""Starts of a search: more for few rows. The published determinants of analyses/plans
are reached with them."""
_NO_SPAN = 1e-9
"""A potential term that spans less than this in the region is zero there."""


def whole_plot_terms(series: FiringSeries) -> tuple[str, ...]:
    """Return the terms that are one number per load: those of temperature alone."""
    return tuple(
        term
        for term in series.terms
        if all(factor == "temperature" for factor, _ in split_term(term))
    )


def most_loads(series: FiringSeries) -> int | None:
    """Return how many loads a plan may take; None where nothing binds them."""
    budget = series.budget
    bounds = [budget.loads, series.plan.loads]
    if budget.sessions is not None and budget.session_loads is not None:
        bounds.append(budget.sessions * budget.session_loads)
    known = [bound for bound in bounds if bound is not None]
    return min(known) if known else None


def n_loads_for(series: FiringSeries, n: int) -> int:
    """Return how many loads n tiles are spread over.

    As many as the places need, and three more than the temperature terms need,
    so that loads can be told from temperatures; one for every three tiles where
    the budget names enough loads.
    """
    needed = math.ceil(n / series.budget.places)
    wished = max(needed, len(whole_plot_terms(series)) + 1 + _SPARE_LOADS)
    bound = most_loads(series)
    if bound is not None:
        bound = max(needed, bound - _control_loads(series, bound))
        wished = max(needed, min(bound, max(wished, n // _TILES_PER_LOAD)))
    return min(n, wished)


def _control_loads(series: FiringSeries, n_loads: int) -> int:
    """Return how many loads the control tiles may need for themselves."""
    if series.plan.control is None:
        return 0
    return math.ceil(n_loads / (series.budget.session_loads or n_loads))


def n_starts_for(n: int) -> int:
    """Return how many plans a search of n rows sets out from."""
    return int(np.clip(_START_ROWS // n, _LEAST_STARTS, _MOST_STARTS))


def choose_settings(
    series: FiringSeries,
    protected: ProtectedCandidates,
    *,
    n: int,
    criterion: Criterion,
    rng: np.random.Generator,
    n_loads: int | None = None,
    standing: FloatArray | None = None,
    kept: pd.DataFrame | None = None,
) -> Chosen | None:
    """Return the best n settings with their loads, or None where there are none.

    Parameters
    ----------
    series : FiringSeries
        Supplies the variance ratio and the number of loads.
    protected : ProtectedCandidates
        What may be chosen.
    n : int
        Tiles, those kept among them.
    criterion : {'D', 'I'}
    rng : numpy.random.Generator
    n_loads : int, optional
        In place of `n_loads_for`.
    standing : ndarray, shape (p, p), optional
        Information of what stands already, potential columns among the p.
    kept : DataFrame, optional
        Settings that must be among them.
    """
    choice = protected.choice
    plot = np.sort(np.arange(n) % (n_loads or n_loads_for(series, n)))
    whole = np.full(int(plot.max()) + 1, FREE)
    sub = np.full(n, FREE)
    if kept is not None and not _give_kept(choice, kept, plot, whole, sub):
        return None
    problem = Problem(
        candidates=choice.candidates,
        plot=plot,
        eta=series.plan.load_variance_ratio,
        criterion=criterion,
        whole=whole,
        sub=sub,
        standing=protected.prior if standing is None else protected.prior + standing,
    )
    found = search_design(problem, n_starts=n_starts_for(n), rng=rng)
    if found is None:
        return None
    return Chosen(settings=_settings(choice, problem, found), behind=found.behind)


def _settings(choice: SeriesCandidates, problem: Problem, found: Found) -> pd.DataFrame:
    frame = choice.mixes.iloc[found.sub].reset_index(drop=True)
    frame["temperature_degC"] = np.array(choice.temperatures)[found.whole[problem.plot]]
    settings = as_settings(frame)
    settings["plot"] = problem.plot
    return settings


def _give_kept(
    choice: SeriesCandidates,
    kept: pd.DataFrame,
    plot: IntArray,
    whole: IntArray,
    sub: IntArray,
) -> bool:
    """Fix the kept settings in the first loads; tell whether the loads suffice."""
    mixes = list(choice.mixes.itertuples(index=False, name=None))
    load = 0
    for degC, rows in kept.groupby("temperature_degC", sort=True):
        waiting = list(rows[list(SETTING_COLUMNS[1:])].itertuples(index=False, name=None))
        while waiting:
            if load == len(whole):
                return False
            members = np.flatnonzero(plot == load)
            whole[load] = choice.temperatures.index(float(str(degC)))
            for row in members[: len(waiting)]:
                sub[row] = mixes.index(waiting.pop(0))
            load += 1
    return True
