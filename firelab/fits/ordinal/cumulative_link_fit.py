"""What a cumulative link fit found, and how far it can be believed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.crossed_likelihood import CrossedLikelihood
from firelab.fits.ordinal.grade_design import GradeDesign
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.load_likelihood import LoadLikelihood
from firelab.fits.ordinal.newton import Convergence
from firelab.fits.ordinal.plain_likelihood import PlainLikelihood
from firelab.fits.ordinal.separation import Separation
from firelab.fits.ordinal.tile_likelihood import TileLikelihood

FloatArray = NDArray[np.float64]
Estimator = Literal["ml", "mean_br", "median_br"]
Likelihood = PlainLikelihood | LoadLikelihood | TileLikelihood | CrossedLikelihood

ESTIMATOR_WORDS: dict[str, str] = {
    "ml": "maximum likelihood",
    "mean_br": "mean bias reduction (Kosmidis 2014)",
    "median_br": "median bias reduction (Kenne Pagui, Salvan and Sartori 2017)",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CumulativeLinkFit:
    r"""A fitted cumulative link model, signs as :math:`F(\theta_j - \eta)`.

    Attributes
    ----------
    link : Link
    estimator : {'ml', 'mean_br', 'median_br'}
    estimates : ndarray, shape (q,)
        All parameters, named by `names`: thresholds (or what spaces them),
        nominal effects cut by cut, coefficients, log-scale effects, and last
        the standard deviations of the load and other effects.
    names : tuple of str
    log_likelihood : float
    information : ndarray, shape (q, q)
        Observed for maximum likelihood, expected for bias reduction.
    convergence : Convergence
    separation : Separation or None
        Why maximum likelihood has no finite answer, where it has none.
    grades : tuple of str
        The grades that were fitted, in order.
    unseen : tuple of str
        Grades of the scale that no look received.
    notes : tuple of str
        What was done about separation, unseen grades or vanished effects.
    n_looks : float
        Sum of the weights.
    design : GradeDesign
        The cells that were fitted.
    likelihood : Likelihood
        What was maximised.
    n_effects : int
        Number of standard deviations among the parameters.
    effect_names : tuple of str
        What each of them belongs to.
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
    design: GradeDesign
    likelihood: Likelihood
    n_effects: int
    effect_names: tuple[str, ...]

    @property
    def thresholds(self) -> FloatArray:
        """Thresholds of the fitted grades, shape (J - 1,), increasing."""
        return np.asarray(self.design.spacing @ self.estimates[: self.design.n_spacing])

    @property
    def coefficients(self) -> FloatArray:
        """Coefficients, shape (p,), latent units per unit of the column."""
        first = self.design.n_spacing + self.design.n_nominal
        return self.estimates[first : self.design.n_linear].copy()

    @property
    def nominal_effects(self) -> FloatArray:
        """Effects that differ from cut to cut, shape (J - 1, w)."""
        first = self.design.n_spacing
        flat = self.estimates[first : first + self.design.n_nominal]
        return flat.reshape(self.design.n_grades - 1, -1).copy()

    @property
    def scale_effects(self) -> FloatArray:
        """Effects on the log of the latent scale, shape (k,)."""
        return self.estimates[self.design.n_linear : self.design.n_parameters].copy()

    @property
    def effect_sds(self) -> FloatArray:
        """Standard deviations of load, tile or other effects, shape (c,)."""
        return self.estimates[self.design.n_parameters :].copy()

    @property
    def load_sd(self) -> float:
        """Standard deviation of the load effect; 0 where none was fitted."""
        return float(self.effect_sds[0]) if self.n_effects else 0.0

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the estimates, shape (q, q), from `information`.

        A standard deviation estimated as 0 is at its boundary and is held
        there: its row and column are 0.
        """
        return _covariance(self.information, self._inside)

    @property
    def _inside(self) -> NDArray[np.bool_]:
        inside = np.ones(len(self.estimates), dtype=bool)
        inside[self.design.n_parameters :] = self.effect_sds > 0.0
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
            If the fit has load effects, whose expected information is not
            known in closed form.
        """
        if not isinstance(self.likelihood, PlainLikelihood):
            raise ValueError("expected information is only known without load effects")
        information = self.likelihood.expected_information(self.estimates)
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


def _covariance(information: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    covariance = np.zeros_like(information)
    part = information[np.ix_(inside, inside)]
    size = 1.0 / np.sqrt(np.maximum(np.abs(np.diag(part)), 1e-300))
    scaled = part * np.outer(size, size)
    covariance[np.ix_(inside, inside)] = np.linalg.pinv(scaled, hermitian=True) * np.outer(
        size, size
    )
    return covariance


def parameter_names(
    design: GradeDesign,
    grades: Sequence[str],
    columns: tuple[Sequence[str], Sequence[str], Sequence[str]],
    effects: Sequence[str],
) -> tuple[str, ...]:
    """Return the names of all parameters in their order.

    Parameters
    ----------
    design : GradeDesign
    grades : sequence of str
        Of the fitted scale.
    columns : tuple of three sequences of str
        Names of the columns of ``X``, ``nominal`` and ``scale``.
    effects : sequence of str
        What carries a standard deviation.
    """
    cuts = [f"{low}|{high}" for low, high in pairwise(grades)]
    flexible = design.n_spacing == len(cuts) and bool(
        np.array_equal(design.spacing, np.eye(len(cuts)))
    )
    first = cuts if flexible else [f"spacing.{i + 1}" for i in range(design.n_spacing)]
    plain, nominal, scale = columns
    return (
        *first,
        *(f"{cut}:{name}" for cut in cuts for name in nominal),
        *plain,
        *(f"scale:{name}" for name in scale),
        *(f"sd({name})" for name in effects),
    )
