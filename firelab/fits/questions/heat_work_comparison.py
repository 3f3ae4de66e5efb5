"""Heat work against temperature and dwell, by prediction of loads not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from firelab.arrays import BoolArray, FloatArray
from firelab.craft.trade_words import Shown
from firelab.errors import RecordsInsufficient
from firelab.fits.questions.heat_courses import HeatCourses
from firelab.fits.questions.heat_work import HeatLooks, heat_looks
from firelab.fits.questions.left_out_loads import (
    CLEAR,
    Predictor,
    likelihood_predictor,
    score_left_out_loads,
)
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.terms import model_matrix

SCHEMA = "firelab/heat-work-comparison/1"
_USUAL_KJ_MOL = 300.0
"""Energy taken where the other loads hold one grade only, so that any predicts alike."""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class HeatWorkComparison(Shown):
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
        if abs(self.gain) <= CLEAR * self.standard_error:
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
        See `firelab.fits.questions.heat_courses.heat_courses`.
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

    def predict(left_out: BoolArray) -> FloatArray:
        try:
            energy = looks.best_energy(~left_out)
            energies.append(energy)
        except RecordsInsufficient:
            energy = _USUAL_KJ_MOL
        again = likelihood_predictor(
            looks.y,
            looks.columns(energy),
            looks.load,
            n_grades=len(looks.grades),
            link=looks.link,
        )
        return again(left_out)

    return predict
