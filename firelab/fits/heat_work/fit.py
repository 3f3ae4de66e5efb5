r"""The stage explained by heat work, its activation energy estimated with the rest.

Temperature and dwell enter through the progress :math:`w(E)` alone. At a given
energy the fit is a cumulative link model; the energy is where its likelihood
is highest, and its interval where that has fallen as far as chance allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import chdtri

from firelab.fits.heat_work.comparison import (
    LEAST_KJ_MOL,
    MOST_KJ_MOL,
    PROGRESS,
    HeatLooks,
    heat_looks,
)
from firelab.fits.heat_work.heat_work import HeatCourses, fusing_speed
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.maximum import Convergence
from firelab.records.records import Records
from firelab.series.folder import Provenance

SCHEMA = "firelab/heat-work/1"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatWorkFit:
    """The stage by heat work.

    Attributes
    ----------
    activation_kJ_mol : float
    lower_kJ_mol, upper_kJ_mol : float or None
        Profile interval at the level of the series; None where these tiles
        set no bound within the range searched.
    level : float
    fit : CumulativeLinkFit
        At that energy; the coefficient of `PROGRESS` is per e-fold of work.
    reference_degC : float
    notes : tuple of str
    provenance : Provenance
    """

    activation_kJ_mol: float
    lower_kJ_mol: float | None
    upper_kJ_mol: float | None
    level: float
    fit: CumulativeLinkFit
    reference_degC: float
    notes: tuple[str, ...]
    provenance: Provenance

    @property
    def speed_per_10_degC(self) -> float:
        """How many times faster 10 degC more fuses, around the reference."""
        middle, energy = self.reference_degC, self.activation_kJ_mol
        return float(fusing_speed(middle + 5.0, energy, middle - 5.0))

    @property
    def convergence(self) -> Convergence:
        """How well the maximum was found at the energy."""
        return self.fit.convergence

    @property
    def table(self) -> pd.DataFrame:
        """One row per parameter: name, estimate, standard_error, lower, upper.

        The energy comes first, in kJ/mol with its profile interval; the others
        have standard errors at that energy.
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
            "estimate": [self.activation_kJ_mol],
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
        place = self.fit.place(PROGRESS)
        lines = [
            f"Heat work: activation energy {self.activation_kJ_mol:.0f} kJ/mol "
            f"({self.level:.0%} interval {ends[0]} to {ends[1]}); 10 degC more fuse "
            f"{self.speed_per_10_degC:.2f} times faster",
            f"one e-fold of heat work shifts the grade by {self.fit.estimates[place]:.2f} "
            f"+/- {self.fit.standard_errors[place]:.2f} {self.fit.link.name} units; "
            f"log-likelihood {self.fit.log_likelihood:.4f}",
        ]
        return "\n".join([*lines, *(f"Note: {note}" for note in self.notes)])

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values."""
        return {
            "schema": SCHEMA,
            "activation_kJ_mol": self.activation_kJ_mol,
            "lower_kJ_mol": self.lower_kJ_mol,
            "upper_kJ_mol": self.upper_kJ_mol,
            "level": self.level,
            "reference_degC": self.reference_degC,
            "speed_per_10_degC": self.speed_per_10_degC,
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

    Returns
    -------
    HeatWorkFit

    Raises
    ------
    RecordsInsufficient
        If fewer than two grades were seen.
    """
    looks = heat_looks(records, terms, courses=courses, link=link)
    energy, level = looks.best_energy(), records.series.window.level
    fit = looks.fit(energy)
    is_inside = LEAST_KJ_MOL * 1.01 < energy < MOST_KJ_MOL / 1.01
    can_profile = fit.estimator == "ml"
    lower = (
        _end(looks, fit.log_likelihood, energy, LEAST_KJ_MOL, level)
        if can_profile
        else None
    )
    upper = (
        _end(looks, fit.log_likelihood, energy, MOST_KJ_MOL, level) if can_profile else None
    )
    notes = list(fit.notes)
    if not is_inside or not can_profile:
        notes.append(
            "these tiles do not tell the energy: fire temperatures and dwells that "
            "cross each other, so that neither stands for the other"
        )
    return HeatWorkFit(
        activation_kJ_mol=energy,
        lower_kJ_mol=lower,
        upper_kJ_mol=upper,
        level=level,
        fit=fit,
        reference_degC=looks.courses.reference_degC,
        notes=tuple(notes),
        provenance=records.provenance,
    )


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
    return float(np.exp(brentq(left, *sorted((start, far)), xtol=1e-3)))
