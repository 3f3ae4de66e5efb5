r"""Terms that an optimal plan is not to be blind to.

A plan that is best for a straight line fires only its ends, and would never
show that the line bends. Each guarded term is added to the model with a prior
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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.plan.optimal.series_candidates import SeriesCandidates
from firelab.series.firing_series import FiringSeries
from firelab.series.terms import split_term, term_columns

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Guarded:
    """Candidates whose rows hold the guarded terms too.

    Attributes
    ----------
    choice : SeriesCandidates
        With p model columns and q guarded ones.
    prior : ndarray, shape (p + q, p + q)
        Information of the prior: nothing on the model's own columns.
    adjust : ndarray, shape (p, q)
        What is taken out of the guarded columns.
    scale : ndarray, shape (q,)
        What they are divided by.
    """

    choice: SeriesCandidates
    prior: FloatArray
    adjust: FloatArray
    scale: FloatArray

    def rows_of(self, raw: FloatArray) -> FloatArray:
        """Return raw columns of the model and the guard as the search sees them.

        Parameters
        ----------
        raw : ndarray, shape (..., p + q)
        """
        p = len(self.adjust)
        rest = (raw[..., p:] - raw[..., :p] @ self.adjust) / self.scale
        return np.concatenate([raw[..., :p], rest], axis=-1)


def guarded_terms(series: FiringSeries) -> tuple[str, ...]:
    """Return the terms that are guarded: stated, or bends of temperature and dwell."""
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


def guard(series: FiringSeries, choice: SeriesCandidates) -> Guarded:
    """Return candidates that hold the guarded terms, with their prior.

    Parameters
    ----------
    series : FiringSeries
    choice : SeriesCandidates
        With raw columns of the model's terms and then the guarded ones.
    """
    raw, allowed = choice.candidates.rows, choice.candidates.allowed
    p = 1 + len(term_columns(series, series.terms))
    region = raw[allowed]
    adjust = np.linalg.lstsq(region[:, :p], region[:, p:], rcond=None)[0]
    rest = region[:, p:] - region[:, :p] @ adjust
    span = np.ptp(rest, axis=0)
    # A guarded term that the region cannot show is left at nothing.
    scale = np.where(span > 1e-9, span, np.inf)
    guarded = Guarded(
        choice=choice,
        prior=np.diag([0.0] * p + [1.0] * (raw.shape[2] - p)),
        adjust=np.asarray(adjust, dtype=float),
        scale=scale,
    )
    candidates = dataclasses.replace(choice.candidates, rows=guarded.rows_of(raw))
    return dataclasses.replace(
        guarded, choice=dataclasses.replace(choice, candidates=candidates)
    )
