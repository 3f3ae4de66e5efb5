r"""Graded looks with the heat behind them, and how well an energy explains them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from firelab.errors import RecordsInsufficient
from firelab.fits.cumulative_link import describe_task, fit_cumulative_link
from firelab.fits.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.fit_choices import FitChoices
from firelab.fits.heat_work import HeatCourses, heat_courses
from firelab.fits.not_estimable import find_aliases
from firelab.records.records import Records
from firelab.series.terms import model_matrix, split_term, term_columns

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PROGRESS = "heat work"
LEAST_KJ_MOL, MOST_KJ_MOL = 50.0, 1200.0
"""Energies searched; fusing of glass lies well inside (from memory, no source)."""
_COARSE = np.geomspace(LEAST_KJ_MOL, MOST_KJ_MOL, 13)
_FINELY = {"xatol": 1e-3}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatLooks:
    """Graded looks as the fit takes them.

    Attributes
    ----------
    y, load : ndarray of int, shape (n,)
    others : ndarray, shape (n, p)
        Columns of the terms without temperature or dwell.
    names : tuple of str
    grades : tuple of str
    courses : HeatCourses
    link : str
    """

    y: IntArray
    load: IntArray
    others: FloatArray
    names: tuple[str, ...]
    grades: tuple[str, ...]
    courses: HeatCourses
    link: str

    def columns(self, activation_kJ_mol: float) -> FloatArray:
        """Return the progress at an energy, then the other columns, shape (n, 1 + p)."""
        return np.column_stack([self.courses.progress(activation_kJ_mol), self.others])

    def _choices(self, some: NDArray[np.bool_], *, load_effect: bool = True) -> FitChoices:
        load = self.load[some]
        choices = FitChoices(n_grades=len(self.grades), grades=self.grades, link=self.link)
        choices["names"] = ((PROGRESS, *self.names), None, None)
        if load_effect and 1 < len(np.unique(load)) < len(load):
            choices["groups"] = load
        return choices

    def fit(self, activation_kJ_mol: float) -> CumulativeLinkFit:
        """Fit at a given energy."""
        some = np.ones(len(self.y), dtype=bool)
        columns = self.columns(activation_kJ_mol)
        return fit_cumulative_link(self.y, columns, **self._choices(some))

    def highest(
        self,
        activation_kJ_mol: float,
        kept: NDArray[np.bool_] | None = None,
        *,
        load_effect: bool = True,
    ) -> float:
        """Return the highest log-likelihood at an energy, of all looks or of some."""
        some = np.ones(len(self.y), dtype=bool) if kept is None else kept
        columns = self.columns(activation_kJ_mol)[some]
        choices = self._choices(some, load_effect=load_effect)
        return describe_task(self.y[some], columns, **choices).supremum()[0]

    def best_energy(self, kept: NDArray[np.bool_] | None = None) -> float:
        """Return the energy of highest likelihood within the range searched.

        A coarse search without the load effect says where to look.
        """
        coarse = [self.highest(float(e), kept, load_effect=False) for e in _COARSE]
        place, last = int(np.argmax(coarse)), len(_COARSE) - 1
        low, high = _COARSE[max(place - 2, 0)], _COARSE[min(place + 2, last)]

        def loss(log_energy: float) -> float:
            return -self.highest(float(np.exp(log_energy)), kept)

        found = minimize_scalar(
            loss, bounds=(np.log(low), np.log(high)), method="bounded", options=_FINELY
        )
        return float(np.exp(found.x))


def heat_looks(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    courses: HeatCourses | None = None,
    link: str = "logit",
) -> HeatLooks:
    """Return the graded looks with their heat courses.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        By default the series'; those with temperature or dwell are left to
        the heat work.
    courses : HeatCourses, optional
        By default a kiln that holds its temperature; see `heat_courses`.
    link : str, default 'logit'

    Raises
    ------
    RecordsInsufficient
        If no look carries a stage.
    """
    graded, series = records.graded, records.series
    if graded.empty:
        raise RecordsInsufficient("no look carries a stage", hint="grade the fired tiles")
    asked = series.terms if terms is None else terms
    heat = {"temperature", "dwell"}
    others = [one for one in asked if not heat & {name for name, _ in split_term(one)}]
    X, names = model_matrix(series, graded, others), term_columns(series, others)
    aliased = find_aliases(X, names) if names else {}
    told = [place for place, name in enumerate(names) if name not in aliased]
    return HeatLooks(
        y=np.asarray(graded["stage"].cat.codes, dtype=np.int64),
        load=graded["load"].to_numpy(dtype=np.int64),
        others=X[:, told],
        names=tuple(names[place] for place in told),
        grades=series.responses.stage.grades,
        courses=heat_courses(records) if courses is None else courses,
        link=link,
    )
