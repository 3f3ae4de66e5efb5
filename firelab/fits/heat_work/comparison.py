r"""Graded looks with the heat behind them, and how well an energy explains them.

Heat work against temperature and dwell, by prediction of loads not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from firelab.errors import RecordsInsufficient
from firelab.fits.heat_work.heat_work import HeatCourses, heat_courses
from firelab.fits.ordinal.cumulative_link import (
    FitChoices,
    fit_cumulative_link,
    supremum,
)
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.estimable import find_aliases
from firelab.fits.questions.left_out_loads import (
    Predictor,
    likelihood_predictor,
    score_left_out_loads,
)
from firelab.records.records import Records
from firelab.series.folder import Provenance
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
        choices["names"] = (PROGRESS, *self.names)
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
        return supremum(self.y[some], columns, **choices)[0]

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
    X = model_matrix(series, graded, others)
    names = [str(column) for column in term_columns(series, others)]
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


SCHEMA = "firelab/heat-work-comparison/1"
_CLEAR = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatWorkComparison:
    """Scores of both models on loads left out in turn; less is better.

    Attributes
    ----------
    heat_work, empirical : float
        Mean ranked probability score per look.
    gain, standard_error : float
        By how much heat work scores better, from differences of whole loads.
    energies_kJ_mol : tuple of float
        Estimated without each load.
    n_looks, n_loads : int
    provenance : Provenance
    """

    heat_work: float
    empirical: float
    gain: float
    standard_error: float
    energies_kJ_mol: tuple[float, ...]
    n_looks: int
    n_loads: int
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """One row per model: its mean score on loads left out."""
        return pd.DataFrame(
            {
                "model": ["heat work", "temperature and dwell"],
                "score": [self.heat_work, self.empirical],
            }
        )

    def summary(self) -> str:
        """Return the comparison in words."""
        if abs(self.gain) <= _CLEAR * self.standard_error:
            verdict = "these tiles cannot tell which predicts better"
        elif self.gain > 0:
            verdict = "heat work predicts loads not seen better"
        else:
            verdict = "temperature and dwell predict loads not seen better"
        return (
            f"{self.n_looks} looks, each of {self.n_loads} loads left out in turn: score "
            f"{self.heat_work:.4f} by heat work, {self.empirical:.4f} by temperature and "
            f"dwell (difference {self.gain:+.4f} +/- {self.standard_error:.4f}): {verdict}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison as plain values."""
        return {"schema": SCHEMA, **asdict(self)}


def compare_heat_work(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    courses: HeatCourses | None = None,
    link: str = "logit",
) -> HeatWorkComparison:
    """Compare heat work with the empirical model by leave-one-load-out prediction.

    Parameters
    ----------
    records : Records
    terms : sequence of str, optional
        Of the empirical model, by default the series'; heat work takes the
        place of those with temperature or dwell.
    courses : HeatCourses, optional
        See `firelab.fits.heat_work.heat_work.heat_courses`.
    link : str, default 'logit'

    Raises
    ------
    RecordsInsufficient
        If there are fewer than three loads with a graded look.
    """
    looks = heat_looks(records, terms, courses=courses, link=link)
    asked = tuple(records.series.terms if terms is None else terms)
    X = model_matrix(records.series, records.graded, asked)
    empirical = likelihood_predictor(
        looks.y, X, looks.load, n_grades=len(looks.grades), link=link
    )
    energies: list[float] = []
    heat = score_left_out_loads(looks.y, looks.load, _heat_predictor(looks, energies))
    plain = score_left_out_loads(looks.y, looks.load, empirical)
    gain, error = plain.worse_than(heat)
    return HeatWorkComparison(
        heat_work=heat.mean,
        empirical=plain.mean,
        gain=gain,
        standard_error=error,
        energies_kJ_mol=tuple(energies),
        n_looks=len(looks.y),
        n_loads=len(heat.load),
        provenance=records.provenance,
    )


def _heat_predictor(looks: HeatLooks, energies: list[float]) -> Predictor:
    """Return a predictor that estimates the energy anew without the load left out."""

    def predict(left_out: NDArray[np.bool_]) -> FloatArray:
        try:
            energy = looks.best_energy(~left_out)
            energies.append(energy)
        except RecordsInsufficient:
            energy = 300.0
        again = likelihood_predictor(
            looks.y,
            looks.columns(energy),
            looks.load,
            n_grades=len(looks.grades),
            link=looks.link,
        )
        return again(left_out)

    return predict
