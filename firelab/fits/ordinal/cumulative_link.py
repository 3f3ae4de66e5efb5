r"""Cumulative link models by maximum likelihood, from plain arrays.

:math:`P(y \le j) = F(\theta_j - x'\beta - u)`, with no random effect or with one
normal effect per group. The one function of this module that a caller needs takes
grades and columns, and hands back a fit that says how good it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, TypedDict, Unpack

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.errors import UsageError
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit, Estimator
from firelab.fits.ordinal.likelihood import Nodes, hermite_nodes
from firelab.fits.ordinal.links import Link, link_named
from firelab.fits.ordinal.look_table import arrange_looks
from firelab.fits.ordinal.looks import GradedLooks
from firelab.fits.ordinal.maximum import (
    Maximum,
    condition_number,
    convergence_record,
    differenced_hessian,
    maximise,
)
from firelab.fits.ordinal.objective import (
    FEW_NODES,
    LooksObjective,
    largest_of,
    parameter_units,
)
from firelab.fits.ordinal.separation import Separated, Separation, find_separation

ESTIMATORS = ("auto", "ml", "penalised")
MOST_NODES = 100
"""Quadrature nodes at most: numpy has its rule tested up to that degree."""
_DOUBTFUL_CONDITION = 1e10
"""Condition number of the scaled information above which separation is looked for."""
_EFFECT_STEPS = 40
"""Newton steps at most with an effect (chosen here, no source)."""
LARGEST_SD = 20.0
"""Standard deviation of an effect, latent units, taken for no finite answer: eleven
times the spread of the logistic itself."""
_VANISHED = 1e-6
"""Standard deviation below which an effect is estimated as nothing."""
_START_SD = 0.7
"""Standard deviation of an effect to begin with, latent units (chosen here, no source: the
maximum found does not depend on it)."""
_WIDENED = 0.35
"""By how much of its variance an effect widens the logistic law: 16^2 * 3 / (15 pi)^2 =
0.346 (Zeger, Liang and Albert 1988, Biometrics 44, 1049-1060); to begin with."""
PENALTY_SD = 5.0
"""Prior standard deviation of a coefficient in a penalised fit, latent units from the
middle to the end of its column: from one end to the other the odds of a higher grade
may change 20,000 times and more (chosen here, no source)."""


class FitChoices(TypedDict, total=False):
    r"""Keyword arguments of `fit_cumulative_link`, all optional.

    Attributes
    ----------
    n_grades : int
        J; the highest grade seen, plus one, by default.
    link : {'logit', 'probit', 'cloglog', 'loglog'} or Link
    offset : array_like, shape (n,)
        Added to :math:`x'\beta`.
    weights : array_like, shape (n,)
        Looks that a row stands for; rows of weight 0 are left out.
    nominal : array_like, shape (n, w)
        Columns with one coefficient per threshold; not also in `X`.
    groups : array_like, shape (n,)
        What shares a normal effect, such as the load.
    group_name : str, default 'load'
    n_quadrature : int, default 10
        Nodes of the effect; 1 is the Laplace approximation.
    estimator : {'auto', 'ml', 'penalised'}, default 'auto'
        Maximum likelihood, and where that is infinite the penalised likelihood.
    grades, names : sequence of str
        Of the J grades and of the columns of `X`.
    """

    n_grades: int | None
    link: str | Link
    offset: ArrayLike | None
    weights: ArrayLike | None
    nominal: ArrayLike | None
    groups: ArrayLike | None
    group_name: str
    n_quadrature: int
    estimator: Literal["auto", "ml", "penalised"]
    grades: Sequence[str] | None
    names: Sequence[str] | None


def fit_cumulative_link(
    y: ArrayLike, X: ArrayLike | None = None, **choices: Unpack[FitChoices]
) -> CumulativeLinkFit:
    r"""Fit a cumulative link model.

    Parameters
    ----------
    y : array_like of int, shape (n,)
        Grade of each look, 0 to J - 1.
    X : array_like, shape (n, p), optional
        Columns with one coefficient each; no intercept.
    **choices : FitChoices
        Keyword arguments, all optional, described there.

    Returns
    -------
    CumulativeLinkFit
        With its convergence, and notes on what could not be done as asked.

    Raises
    ------
    UsageError
        If shapes, values or choices cannot be.
    RecordsInsufficient
        If fewer than two grades were seen.
    NotEstimable
        If columns are combinations of others; ``.aliased`` lists which.
    Separated
        If `estimator` is 'ml' and the maximum is at infinity.

    References
    ----------
    .. [1] McCullagh, P. (1980). Regression models for ordinal data. *J. R. Stat.
       Soc. B*, 42(2), 109-142.
    .. [2] Liu, Q., & Pierce, D. A. (1994). A note on Gauss-Hermite quadrature.
       *Biometrika*, 81(3), 624-629.

    Examples
    --------
    >>> fit = fit_cumulative_link([0, 0, 1, 0, 1, 2, 1, 2, 2], np.arange(9) - 4.0)
    >>> fit.convergence.code, fit.names
    (0, ('grade 1|grade 2', 'grade 2|grade 3', 'x1'))
    """
    return _describe(y, X, choices).fit()


def highest_log_likelihood(
    y: ArrayLike, X: ArrayLike | None = None, **choices: Unpack[FitChoices]
) -> tuple[float, int]:
    """Return the highest log-likelihood and the number of parameters.

    It is finite even where the estimates are not.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p), optional
    **choices : FitChoices
        As `fit_cumulative_link`.
    """
    found = _describe(y, X, choices).climb()
    return found.shape.value, len(found.point)


def _describe(y: ArrayLike, X: ArrayLike | None, choices: FitChoices) -> _FitTask:
    unknown = sorted(set(choices) - set(FitChoices.__annotations__))
    if unknown:
        raise UsageError(
            f"{', '.join(unknown)} is no choice of a fit",
            hint=f"one of {', '.join(FitChoices.__annotations__)}",
        )
    estimator, nodes = choices.get("estimator", "auto"), choices.get("n_quadrature", 10)
    if estimator not in ESTIMATORS:
        raise UsageError(
            f"there is no estimator {estimator!r}", hint=f"one of {', '.join(ESTIMATORS)}"
        )
    if not 1 <= nodes <= MOST_NODES:
        raise UsageError(
            f"{nodes} quadrature nodes are outside 1 to {MOST_NODES}", hint="10 is usual"
        )
    table = arrange_looks(
        y,
        X,
        n_grades=choices.get("n_grades"),
        offset=choices.get("offset"),
        weights=choices.get("weights"),
        nominal=choices.get("nominal"),
        groups=choices.get("groups"),
        grades=choices.get("grades"),
        names=choices.get("names"),
    )
    looks, seen, unseen = table.on_seen_grades()
    return _FitTask(
        looks=looks,
        grades=seen,
        unseen=unseen,
        columns=table.columns,
        nominal=table.nominal,
        n_looks=table.n_looks,
        link=link_named(choices.get("link", "logit")),
        estimator=estimator,
        group_name=choices.get("group_name", "load"),
        nodes=hermite_nodes(nodes),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FitTask:
    looks: GradedLooks
    grades: tuple[str, ...]
    unseen: tuple[str, ...]
    columns: tuple[str, ...]
    nominal: tuple[str, ...]
    n_looks: float
    link: Link
    estimator: str
    group_name: str
    nodes: Nodes

    def fit(self) -> CumulativeLinkFit:
        if self.estimator == "penalised":
            return self._penalised((), None)
        plain = self._objective(with_effect=False)
        found = self._climb_plain(plain)
        separation = self._separation(plain.looks, found)
        if separation is not None or not found.steady:
            why = (
                (f"the likelihood has no maximum: {found.convergence.message}",)
                if separation is None
                else separation.sentences(self.grades)
            )
            if self.estimator == "ml":
                raise Separated(why, separation, self.grades)
            return self._penalised(why, separation)
        if self.looks.group is None:
            return self._result(plain, found, "ml", None, self._unseen_notes())
        return self._fit_effect(found.point)

    def climb(self) -> Maximum:
        plain = self._objective(with_effect=False)
        found = self._climb_plain(plain)
        if self.looks.group is None:
            return found
        return self._climb_effect(self._objective(with_effect=True), found.point)

    def _fit_effect(self, begin: FloatArray) -> CumulativeLinkFit:
        objective = self._objective(with_effect=True)
        found = _settle_effect(objective, self._climb_effect(objective, begin))
        if found.convergence.code or found.point[-1] > LARGEST_SD:
            fewer = self._without_effect().fit()
            why = (
                f"no {self.group_name} effect was fitted: its likelihood has no maximum, "
                f"as where each {self.group_name} carries one grade"
            )
            return replace(fewer, notes=(why, *fewer.notes))
        notes = self._unseen_notes()
        if found.point[-1] == 0.0:
            notes += (
                f"the {self.group_name} effect is estimated as nothing; its interval "
                "starts at 0",
            )
        return self._result(objective, found, "ml", None, notes)

    def _penalised(
        self, why: tuple[str, ...], separation: Separation | None
    ) -> CumulativeLinkFit:
        """Fit with a normal penalty on coefficients and one look shared by all grades."""
        bare = self._without_effect()
        objective = bare._objective(with_effect=False)
        looks = objective.looks
        share = np.full(looks.n_grades, 1.0 / looks.n_grades)
        centre = np.average(looks.X, axis=0, weights=looks.weights)
        padded = replace(
            looks,
            y=np.r_[looks.y, np.arange(looks.n_grades)],
            X=np.vstack([looks.X, np.tile(centre, (looks.n_grades, 1))]),
            nominal=np.vstack(
                [looks.nominal, np.zeros((looks.n_grades, looks.nominal.shape[1]))]
            ),
            offset=np.r_[looks.offset, np.zeros(looks.n_grades)],
            weights=np.r_[looks.weights, share],
        )
        largest = np.maximum(largest_of(looks.X), 1e-300)
        objective = replace(objective, looks=padded, ridge=(largest / PENALTY_SD) ** 2)
        found = bare._climb_plain(objective)
        notes = (*why, *self._unseen_notes())
        if why:
            notes += ("fitted by penalised likelihood instead",)
        if self.looks.group is not None:
            notes += (f"no {self.group_name} effect was fitted",)
        return bare._result(objective, found, "penalised", separation, notes)

    def _objective(self, *, with_effect: bool) -> LooksObjective:
        looks = self.looks if with_effect else replace(self.looks, group=None)
        return LooksObjective(
            looks=looks,
            link=self.link,
            nodes=self.nodes if with_effect else None,
            ridge=np.zeros(looks.X.shape[1]),
        )

    def _climb_plain(self, objective: LooksObjective) -> Maximum:
        start = _plain_start(objective.looks, self.link)
        return maximise(objective, start, units=parameter_units(objective))

    def _climb_effect(self, objective: LooksObjective, plain: FloatArray) -> Maximum:
        # An effect of that size widens the latent law, and the rest grows with it.
        growth = np.sqrt(1.0 + _WIDENED * _START_SD**2)
        start = np.append(plain * growth, _START_SD)
        units = parameter_units(objective)
        return maximise(objective, start, units=units, most_iterations=_EFFECT_STEPS)

    def _separation(self, looks: GradedLooks, found: Maximum) -> Separation | None:
        condition = condition_number(-found.shape.hessian, scaled=True)
        if found.steady and condition < _DOUBTFUL_CONDITION:
            return None
        return find_separation(looks, (*self.columns, *self.nominal))

    def _without_effect(self) -> _FitTask:
        return replace(self, looks=replace(self.looks, group=None))

    def _unseen_notes(self) -> tuple[str, ...]:
        if not self.unseen:
            return ()
        return (
            f"no look is graded {' or '.join(self.unseen)}; "
            f"{' and '.join(self.unseen)} left out of the scale",
        )

    def _result(
        self,
        objective: LooksObjective,
        found: Maximum,
        estimator: Estimator,
        separation: Separation | None,
        notes: tuple[str, ...],
    ) -> CumulativeLinkFit:
        cuts = [f"{low}|{high}" for low, high in pairwise(self.grades)]
        effect = [f"sd({self.group_name})"] if objective.nodes is not None else []
        return CumulativeLinkFit(
            link=self.link,
            estimator=estimator,
            estimates=found.point,
            names=(
                *cuts,
                *(f"{cut}:{name}" for cut in cuts for name in self.nominal),
                *self.columns,
                *effect,
            ),
            log_likelihood=found.shape.value,
            information=-found.shape.hessian,
            convergence=found.convergence,
            separation=separation,
            grades=self.grades,
            unseen=self.unseen,
            notes=notes,
            n_looks=self.n_looks,
            group_name=self.group_name,
            objective=objective,
        )


def _plain_start(looks: GradedLooks, link: Link) -> FloatArray:
    """Return thresholds from the grades' shares and no effects, shape (q,)."""
    counts = np.bincount(looks.y, weights=looks.weights, minlength=looks.n_grades)
    shares = np.cumsum(counts)[:-1] / np.sum(counts)
    start = np.zeros(looks.n_linear)
    start[: looks.n_thresholds] = link.quantile(shares) + float(np.mean(looks.offset))
    return start


@np.errstate(all="ignore")
def _settle_effect(objective: LooksObjective, found: Maximum) -> Maximum:
    """Return a maximum whose standard deviation is not negative.

    The likelihood is even in it. One that came to nothing is set to 0, and a Hessian
    from too few nodes is replaced by a differenced one.
    """
    point = found.point.copy()
    sd = abs(float(point[-1]))
    point[-1] = 0.0 if sd < _VANISHED else sd
    here = objective.evaluate(point)
    if objective.nodes is not None and len(objective.nodes.place) < FEW_NODES:
        here = here._replace(hessian=differenced_hessian(objective, point))
    record = convergence_record(
        here, np.arange(len(point)), found.convergence.code, found.convergence.iterations
    )
    return replace(found, point=point, shape=here, convergence=record)
