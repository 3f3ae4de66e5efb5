r"""The stage explained by heat work, its activation energy estimated with the rest.

Temperature and dwell enter through the progress :math:`w(E)` alone. At a given
energy the fit is a cumulative link model; the energy is where its likelihood
is highest, and its interval where that has fallen as far as chance allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtri

from firelab.arrays import BoolArray, FloatArray, IntArray
from firelab.craft.degrees import PER_DEGC
from firelab.craft.heating import fusing_speed
from firelab.craft.trade_words import Shown, note_lines
from firelab.craft.units import format_temperature_difference
from firelab.fits.ordinal.cumulative_link import (
    FitChoices,
    fit_cumulative_link,
    highest_log_likelihood,
)
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.look_table import estimable_places, has_groups
from firelab.fits.ordinal.maximum import Convergence
from firelab.fits.ordinal.stage_likelihood import graded_columns
from firelab.fits.questions.heat_courses import HeatCourses, heat_courses
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.terms import split_term

PROGRESS = "heat work"
LEAST_KJ_MOL, MOST_KJ_MOL = 50.0, 1200.0
"""Energies searched; fusing of glass lies well inside (from memory, no source)."""
_COARSE = np.geomspace(LEAST_KJ_MOL, MOST_KJ_MOL, 13)
"""Energies among which the search begins (chosen here, no source)."""
_FINELY = {"xatol": 1e-3}
"""Of the logarithm: a thousandth of the energy."""
_AT_LIMIT = 1.01
"""Factor within which an energy lies at an end of the range searched: ten times what the
search leaves."""


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

    def _choices(self, kept: BoolArray, *, load_effect: bool = True) -> FitChoices:
        load = self.load[kept]
        choices = FitChoices(n_grades=len(self.grades), grades=self.grades, link=self.link)
        choices["names"] = (PROGRESS, *self.names)
        if load_effect and has_groups(load):
            choices["groups"] = load
        return choices

    def fit(self, activation_kJ_mol: float) -> CumulativeLinkFit:
        """Fit at a given energy."""
        every = np.ones(len(self.y), dtype=bool)
        columns = self.columns(activation_kJ_mol)
        return fit_cumulative_link(self.y, columns, **self._choices(every))

    def highest(
        self,
        activation_kJ_mol: float,
        kept: BoolArray | None = None,
        *,
        load_effect: bool = True,
    ) -> float:
        """Return the highest log-likelihood at an energy, of the looks kept."""
        rows = np.ones(len(self.y), dtype=bool) if kept is None else kept
        columns = self.columns(activation_kJ_mol)[rows]
        choices = self._choices(rows, load_effect=load_effect)
        return highest_log_likelihood(self.y[rows], columns, **choices)[0]

    def best_energy(self, kept: BoolArray | None = None) -> float:
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
    """Return the graded looks with their heat courses, as `fit_heat_work` takes them.

    Raises
    ------
    RecordsInsufficient
        If no look carries a stage.
    """
    graded, series = records.require_graded(), records.series
    asked = series.terms if terms is None else terms
    heat = {"temperature", "dwell"}
    others = [one for one in asked if not heat & {name for name, _ in split_term(one)}]
    looks = graded_columns(series, graded, others)
    estimable = estimable_places(looks.X)
    return HeatLooks(
        y=looks.y,
        load=looks.load,
        others=looks.X[:, estimable],
        names=tuple(str(looks.columns[place]) for place in estimable),
        grades=series.responses.stage.grades,
        courses=heat_courses(records) if courses is None else courses,
        link=link,
    )


SCHEMA = "firelab/heat-work/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class HeatWorkFit(Shown):
    """The stage by heat work.

    Attributes
    ----------
    activation_kJ_mol : float
        Of highest likelihood; an estimate only where `is_estimated`.
    lower_kJ_mol, upper_kJ_mol : float or None
        Profile interval at the level of the series; None where these tiles
        set no bound within the range searched.
    level : float
    fit : CumulativeLinkFit
        At that energy; the coefficient of `PROGRESS` is per e-fold of work.
    reference_degC : float
    reads : str
        Unit that the kiln reads.
    notes : tuple of str
    provenance : Provenance
    """

    activation_kJ_mol: float
    lower_kJ_mol: float | None
    upper_kJ_mol: float | None
    level: float
    fit: CumulativeLinkFit
    reference_degC: float
    reads: str
    notes: tuple[str, ...]
    provenance: Provenance

    @property
    def is_estimated(self) -> bool:
        """Whether the energy is inside the range searched, and bounded on a side."""
        low, high = LEAST_KJ_MOL * _AT_LIMIT, MOST_KJ_MOL / _AT_LIMIT
        is_bounded = self.lower_kJ_mol is not None or self.upper_kJ_mol is not None
        return is_bounded and low < self.activation_kJ_mol < high

    @property
    def speed_per_10_degC(self) -> float:
        """How many times faster 10 degC more fuses, around the reference."""
        return self._speed_per(10.0)

    def _speed_per(self, degC: float) -> float:
        middle, energy = self.reference_degC, self.activation_kJ_mol
        return float(fusing_speed(middle + degC / 2.0, energy, middle - degC / 2.0))

    @property
    def convergence(self) -> Convergence:
        """How well the maximum was found at the energy."""
        return self.fit.convergence

    @property
    def table(self) -> pd.DataFrame:
        """One row per parameter: name, estimate, standard_error, lower, upper.

        The energy comes first, in kJ/mol with its profile interval, without an
        estimate where there is none; the others have standard errors at that energy.
        """
        others = pd.DataFrame(
            {
                "name": list(self.fit.names),
                "estimate": self.fit.estimates,
                "standard_error": self.fit.standard_errors,
            }
        )
        energy = {
            "name": ["activation energy"],
            "estimate": [self.activation_kJ_mol if self.is_estimated else np.nan],
            "lower": [np.nan if self.lower_kJ_mol is None else self.lower_kJ_mol],
            "upper": [np.nan if self.upper_kJ_mol is None else self.upper_kJ_mol],
        }
        frame = pd.concat([pd.DataFrame(energy), others], ignore_index=True)
        return frame[["name", "estimate", "standard_error", "lower", "upper"]]

    def summary(self) -> str:
        """Return the fit in words."""
        ends = [
            f"{end:.0f}" if end is not None else "no bound"
            for end in (self.lower_kJ_mol, self.upper_kJ_mol)
        ]
        interval = f"{self.level:.0%} interval {ends[0]} to {ends[1]}"
        step = 10.0 / PER_DEGC[self.reads]
        energy = (
            f"{self.activation_kJ_mol:.0f} kJ/mol ({interval}); "
            f"{format_temperature_difference(step, self.reads)} hotter fuses "
            f"{self._speed_per(step):.2f} times as fast"
            if self.is_estimated
            else f"no estimate between {LEAST_KJ_MOL:g} and {MOST_KJ_MOL:g} kJ/mol "
            f"({interval})"
        )
        place = self.fit.place(PROGRESS)
        lines = [
            f"Heat work: activation energy {energy}",
            f"one e-fold of heat work shifts the grade by {self.fit.estimates[place]:.2f} "
            f"+/- {self.fit.standard_errors[place]:.2f} {self.fit.link.name} units; "
            f"log-likelihood {self.fit.log_likelihood:.4f}",
        ]
        return "\n".join([*lines, *note_lines(self.notes)])

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values."""
        return {
            "schema": SCHEMA,
            "activation_kJ_mol": self.activation_kJ_mol if self.is_estimated else None,
            "searched_kJ_mol": [LEAST_KJ_MOL, MOST_KJ_MOL],
            "lower_kJ_mol": self.lower_kJ_mol,
            "upper_kJ_mol": self.upper_kJ_mol,
            "level": self.level,
            "reference_degC": self.reference_degC,
            "speed_per_10_degC": self.speed_per_10_degC if self.is_estimated else None,
            "fit": self.fit.to_dict(),
            "notes": list(self.notes),
            "provenance": self.provenance.to_dict(),
        }


def fit_heat_work(
    records: Records,
    terms: Sequence[str] | None = None,
    *,
    courses: HeatCourses | None = None,
    link: str = "logit",
) -> HeatWorkFit:
    """Fit the stage to heat work, mesh, layers and base.

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
        If fewer than two grades were seen.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> firelab.fit_heat_work(records)
    <HeatWorkFit: Heat work: activation energy 3... kJ/mol ...>
    """
    looks = heat_looks(records, terms, courses=courses, link=link)
    energy, level = looks.best_energy(), records.series.window.level
    fit = looks.fit(energy)
    can_profile = fit.estimator == "ml"
    lower, upper = (
        _end(looks, fit.log_likelihood, energy, bound, level) if can_profile else None
        for bound in (LEAST_KJ_MOL, MOST_KJ_MOL)
    )
    found = HeatWorkFit(
        activation_kJ_mol=energy,
        lower_kJ_mol=lower,
        upper_kJ_mol=upper,
        level=level,
        fit=fit,
        reference_degC=looks.courses.reference_degC,
        reads=records.series.kiln.reads,
        notes=fit.notes,
        provenance=records.provenance,
    )
    notes = list(fit.notes)
    if not (found.is_estimated and can_profile):
        notes.append(
            "these tiles do not tell the energy: fire temperatures and dwells that cross "
            "each other, so that neither stands for the other"
        )
    if records.graded["tile"].duplicated().any():
        notes.append(
            "tiles were graded more than once, and all grades are taken as independent: "
            "the interval is too narrow"
        )
    return replace(found, notes=tuple(notes))


def _end(
    looks: HeatLooks, best: float, energy: float, bound: float, level: float
) -> float | None:
    """Return where the likelihood has fallen by what the level allows."""
    allowed = float(chdtri(1, 1 - level)) / 2

    def left(log_energy: float) -> float:
        return looks.highest(float(np.exp(log_energy))) - best + allowed

    start, far = float(np.log(energy)), float(np.log(bound))
    if left(start) <= 0 or left(far) > 0:
        return None
    return float(np.exp(brentq(left, *sorted((start, far)), xtol=_FINELY["xatol"])))
