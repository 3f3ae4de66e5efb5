r"""Likelihood-ratio inference: profile intervals of a parameter, tests of a term.

With all other parameters at their best, an end of the interval is where the
signed root :math:`r(\psi) = \pm\sqrt{2(\hat\ell - \ell_p(\psi))}` reaches a
normal quantile. Its slope is known from the gradient, so Newton's method finds
the end in a few refits. A term is tested against the fit without it, against the
fit in which it differs from threshold to threshold, or as a random effect.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, ndtri

from firelab.arrays import FloatArray
from firelab.errors import UsageError
from firelab.fits.ordinal.cumulative_link import FitChoices, highest_log_likelihood
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.maximum import maximise
from firelab.fits.ordinal.objective import parameter_units

TermColumns = Mapping[str, Sequence[int]]

_MOST_STEPS, _REFIT_STEPS = 40, 25
"""Steps to an end, and Newton steps of a refit, at most (chosen here, no source)."""
_CLOSE = 1e-8
"""Of the signed root; the published ends have nine digits."""
_NARROW = 1e-7
"""Of a bracket, in standard errors."""
_MOST_LOST, _FARTHEST_SE = 3, 200.0
"""Refits that may fail, and standard errors that are gone, before an end is given up
(chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileInterval:
    """An interval of one parameter.

    Attributes
    ----------
    name : str
    estimate : float
    lower, upper : float or None
        None where the likelihood never falls far enough, or can no longer be
        followed: no end on that side.
    level : float
    """

    name: str
    estimate: float
    lower: float | None
    upper: float | None
    level: float


def profile_intervals(
    fit: CumulativeLinkFit, *, level: float = 0.95
) -> tuple[ProfileInterval, ...]:
    """Return profile-likelihood intervals of all parameters but the thresholds.

    Parameters
    ----------
    fit : CumulativeLinkFit
        Fitted by maximum likelihood.
    level : float, default 0.95

    Raises
    ------
    UsageError
        If the fit is penalised, as its likelihood has no maximum.

    References
    ----------
    .. [1] Venzon, D. J., & Moolgavkar, S. H. (1988). A method for computing
       profile-likelihood-based confidence intervals. *Appl. Stat.*, 37, 87-94.
    """
    if fit.estimator != "ml":
        raise UsageError(
            "a penalised fit has no profile-likelihood interval",
            hint="use its standard errors, or the posterior",
        )
    z = float(ndtri(0.5 + 0.5 * level))
    return tuple(
        ProfileInterval(
            name=name,
            estimate=float(fit.estimates[fit.place(name)]),
            lower=_find_end(fit, fit.place(name), -z),
            upper=_find_end(fit, fit.place(name), z),
            level=level,
        )
        for name in fit.names[fit.looks.n_thresholds :]
    )


def _find_end(fit: CumulativeLinkFit, place: int, z: float) -> float | None:
    is_sd = place >= fit.looks.n_linear
    best = float(fit.estimates[place])
    if is_sd and best == 0.0 and z < 0.0:
        return 0.0
    walk = _Walk.begin(fit, place)
    error = float(fit.standard_errors[place]) or 0.5
    inner, outer = best, np.inf * np.sign(z)
    value = best + z * error
    for _ in range(_MOST_STEPS):
        if is_sd and value <= 0.0 and z < 0.0:
            root, _ = walk.root_at(0.0)
            if root >= z:
                return 0.0
            outer, value = 0.0, 0.5 * inner
        root, slope = walk.root_at(value)
        if abs(root - z) < _CLOSE or abs(outer - inner) < _NARROW * error:
            return value
        if walk.lost > _MOST_LOST:
            return None
        if abs(root) < abs(z):
            inner = value
        else:
            outer = value
        if abs(value - best) > _FARTHEST_SE * error:
            return None
        value = _next_value(
            value, (z - root) / slope if slope > 0.0 else np.nan, inner, outer
        )
    return None if not np.isfinite(outer) else value


def _next_value(value: float, step: float, inner: float, outer: float) -> float:
    low, high = min(inner, outer), max(inner, outer)
    trial = value + step
    if np.isfinite(trial) and low < trial < high:
        longest = 4.0 * abs(high - low) if np.isfinite(outer) else np.inf
        return trial if abs(step) < longest else value
    if np.isfinite(outer):
        return 0.5 * (inner + outer)
    return float(value + np.sign(outer) * max(abs(value - inner), 1.0))


@dataclass(slots=True, kw_only=True, eq=False)
class _Walk:
    """The constrained maximum, kept from one value to the next."""

    fit: CumulativeLinkFit
    place: int
    direction: FloatArray
    units: FloatArray
    point: FloatArray
    lost: int = 0

    @classmethod
    def begin(cls, fit: CumulativeLinkFit, place: int) -> _Walk:
        covariance = fit.covariance
        direction = np.zeros(len(fit.estimates))
        if covariance[place, place] > 0.0:
            direction = covariance[place] / covariance[place, place]
        direction[place] = 1.0
        units = parameter_units(fit.objective)
        return cls(
            fit=fit,
            place=place,
            direction=direction,
            units=units,
            point=fit.estimates.copy(),
        )

    def root_at(self, value: float) -> tuple[float, float]:
        """Return the signed root of the profile at a value, and its slope."""
        objective = self.fit.objective
        start = self.point + (value - self.point[self.place]) * self.direction
        if not np.isfinite(objective.value(start)):
            start = self.point.copy()
            start[self.place] = value
        if not np.isfinite(objective.value(start)):
            return np.copysign(np.inf, value - self.fit.estimates[self.place]), np.nan
        found = maximise(
            objective,
            start,
            units=self.units,
            fixed=(self.place,),
            most_iterations=_REFIT_STEPS,
        )
        self.point = found.point
        self.lost += not found.steady
        fall = max(2.0 * (self.fit.log_likelihood - found.shape.value), 0.0)
        side = np.sign(value - self.fit.estimates[self.place])
        root = float(side * np.sqrt(fall))
        slope = -found.shape.gradient[self.place] / root if root else np.nan
        return root, float(slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class TermTest:
    """A chi-squared test of one term."""

    term: str
    statistic: float
    df: int
    p_value: float


def likelihood_ratio(
    term: str, full: tuple[float, int], reduced: tuple[float, int]
) -> TermTest:
    """Return the test of two log-likelihoods, each with its number of parameters."""
    statistic = max(2.0 * (full[0] - reduced[0]), 0.0)
    df = full[1] - reduced[1]
    p_value = float(chdtrc(df, statistic)) if df else 1.0
    return TermTest(term=term, statistic=statistic, df=df, p_value=p_value)


def term_tests(
    y: ArrayLike,
    X: ArrayLike,
    terms: TermColumns,
    *,
    freed: bool = False,
    **choices: Unpack[FitChoices],
) -> tuple[TermTest, ...]:
    """Return the likelihood-ratio test of each term.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p)
    terms : mapping of str to sequence of int
        Places of each term's columns in `X`.
    freed : bool, default False
        Test proportional odds, the same effect at every threshold, against the fit in
        which the term has one at each; else the term against the fit without it.
    **choices : FitChoices
        As `fit_cumulative_link` takes them; no `nominal`.
    """
    columns = np.asarray(X, dtype=float)
    whole = highest_log_likelihood(y, columns, **choices)
    tests = []
    for term, places in terms.items():
        changed = FitChoices(**{**choices, "names": None})
        if freed:
            changed["nominal"] = columns[:, list(places)]
        rest = np.delete(columns, list(places), axis=1)
        other = highest_log_likelihood(y, rest, **changed)
        full, reduced = (other, whole) if freed else (whole, other)
        tests.append(likelihood_ratio(term, full, reduced))
    return tuple(tests)


def compare_nested(full: CumulativeLinkFit, reduced: CumulativeLinkFit) -> TermTest:
    """Return the likelihood-ratio test of two nested maximum-likelihood fits.

    Where they differ by one standard deviation only, its estimate is at its
    bound under the reduced model, and the p value is half as large (Self and
    Liang 1987).
    """
    test = likelihood_ratio(
        "all that differs",
        (full.log_likelihood, full.n_parameters),
        (reduced.log_likelihood, reduced.n_parameters),
    )
    if full.has_effect and not reduced.has_effect and test.df == 1:
        p_value = 0.5 * test.p_value if test.statistic > 0.0 else 1.0
        return replace(test, term=full.group_name, p_value=p_value)
    return test
