"""What a cumulative link fit found, and how far it can be believed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from firelab.arrays import BoolArray, FloatArray
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.looks import GradedLooks
from firelab.fits.ordinal.maximum import Convergence
from firelab.fits.ordinal.objective import LooksObjective
from firelab.fits.ordinal.separation import Separation

Estimator = Literal["ml", "penalised"]

ESTIMATOR_WORDS: dict[str, str] = {
    "ml": "maximum likelihood",
    "penalised": "penalised likelihood",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CumulativeLinkFit:
    r"""A fitted cumulative link model, signs as :math:`F(\theta_j - \eta)`.

    Attributes
    ----------
    link : Link
    estimator : {'ml', 'penalised'}
    estimates : ndarray, shape (q,)
        All parameters, named by `names`: thresholds, nominal effects threshold by
        threshold, coefficients, and last the standard deviation of the group effect.
    names : tuple of str
    log_likelihood : float
    information : ndarray, shape (q, q)
        Observed; with the penalty's precision where there is one.
    convergence : Convergence
    separation : Separation or None
        Why maximum likelihood has no finite answer, where it has none.
    grades : tuple of str
        The grades that were seen and fitted, in order.
    unseen : tuple of str
        Grades of the scale that no look received.
    notes : tuple of str
        What was done about separation, unseen grades or a vanished effect.
    n_looks : float
        Sum of the weights.
    group_name : str
        What shares the group effect.
    objective : LooksObjective
        What was maximised.
    """

    link: Link
    estimator: Estimator
    estimates: FloatArray
    names: tuple[str, ...]
    log_likelihood: float
    information: FloatArray
    convergence: Convergence
    separation: Separation | None
    grades: tuple[str, ...]
    unseen: tuple[str, ...]
    notes: tuple[str, ...]
    n_looks: float
    group_name: str
    objective: LooksObjective

    @property
    def looks(self) -> GradedLooks:
        """The cells that were fitted."""
        return self.objective.looks

    @property
    def thresholds(self) -> FloatArray:
        """Thresholds of the fitted grades, shape (J - 1,), increasing."""
        return self.estimates[: self.looks.n_thresholds].copy()

    @property
    def coefficients(self) -> FloatArray:
        """Coefficients, shape (p,), latent units per unit of the column."""
        first = self.looks.n_thresholds + self.looks.n_nominal
        return self.estimates[first : self.looks.n_linear].copy()

    @property
    def has_effect(self) -> bool:
        """Whether a group effect was fitted."""
        return self.objective.nodes is not None

    @property
    def effect_sd(self) -> float:
        """Standard deviation of the group effect; 0 where none was fitted."""
        return float(self.estimates[-1]) if self.has_effect else 0.0

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the estimates, shape (q, q), from `information`.

        A standard deviation estimated as 0 is at its boundary and is held there: its
        row and column are 0.
        """
        return _covariance(self.information, self._inside)

    @property
    def _inside(self) -> BoolArray:
        inside = np.ones(len(self.estimates), dtype=bool)
        if self.has_effect:
            inside[-1] = self.effect_sd > 0.0
        return inside

    @property
    def standard_errors(self) -> FloatArray:
        """Standard errors of the estimates, shape (q,), from `information`."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    @property
    def expected_standard_errors(self) -> FloatArray:
        """Standard errors from the expected information, shape (q,).

        Raises
        ------
        ValueError
            If the fit has a group effect, whose expected information is not known in
            closed form.
        """
        if self.has_effect:
            raise ValueError("expected information is only known without a group effect")
        information = self.objective.expected_information(self.estimates)
        return np.sqrt(np.diag(_covariance(information, self._inside)))

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return len(self.estimates)

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return 2.0 * self.n_parameters - 2.0 * self.log_likelihood

    def place(self, name: str) -> int:
        """Return the place of a parameter by its name."""
        return self.names.index(name)

    def to_dict(self) -> dict[str, Any]:
        """Return the fit as plain values."""
        errors = self.standard_errors
        return {
            "link": self.link.name,
            "estimator": self.estimator,
            "log_likelihood": self.log_likelihood,
            "aic": self.aic,
            "n_looks": self.n_looks,
            "grades": list(self.grades),
            "unseen": list(self.unseen),
            "estimates": {
                name: {"estimate": float(value), "standard_error": float(error)}
                for name, value, error in zip(
                    self.names, self.estimates, errors, strict=True
                )
            },
            "separated_by": list(self.separation.columns) if self.separation else [],
            "notes": list(self.notes),
            "convergence": self.convergence.to_dict(self.names),
        }


def _covariance(information: FloatArray, inside: BoolArray) -> FloatArray:
    covariance = np.zeros_like(information)
    part = information[np.ix_(inside, inside)]
    size = 1.0 / np.sqrt(np.maximum(np.abs(np.diag(part)), 1e-300))
    scaled = np.linalg.pinv(part * np.outer(size, size), hermitian=True)
    covariance[np.ix_(inside, inside)] = scaled * np.outer(size, size)
    return covariance
