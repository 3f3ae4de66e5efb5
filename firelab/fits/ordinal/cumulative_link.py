r"""Cumulative link models by maximum likelihood, from plain arrays.

:math:`P(y \le j) = F(\theta_j - x'\beta - u)`: the one function of this module
takes grades and columns, and hands back a fit that says how good it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Unpack

import numpy as np
from numpy.typing import ArrayLike

from firelab.errors import UsageError
from firelab.fits.ordinal.cumulative_link_fit import CumulativeLinkFit
from firelab.fits.ordinal.fit_choices import FitChoices
from firelab.fits.ordinal.fit_task import FitTask
from firelab.fits.ordinal.links import link_named
from firelab.fits.ordinal.look_arrays import STRUCTURES, arrange_looks

ESTIMATORS = ("auto", "ml", "mean_br", "median_br")
MOST_NODES = 100


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
        Keyword arguments, all optional: ``n_grades, link, offset, weights,
        nominal, scale, thresholds, groups, nested, crossed, n_quadrature,
        estimator, start, grades, names, effect_names``, described there.

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
    .. [2] Kosmidis, I. (2014). Improved estimation in cumulative link models.
       *J. R. Stat. Soc. B*, 76(1), 169-196.
    .. [3] Liu, Q., & Pierce, D. A. (1994). A note on Gauss-Hermite quadrature.
       *Biometrika*, 81(3), 624-629.

    Examples
    --------
    >>> fit = fit_cumulative_link([0, 0, 1, 0, 1, 2, 1, 2, 2], np.arange(9) - 4.0)
    >>> fit.convergence.code, fit.names
    (0, ('grade 1|grade 2', 'grade 2|grade 3', 'x1'))
    """
    return describe_task(y, X, **choices).fit()


def describe_task(
    y: ArrayLike, X: ArrayLike | None = None, **choices: Unpack[FitChoices]
) -> FitTask:
    """Return what `fit_cumulative_link` would fit, verified but not yet fitted.

    Parameters
    ----------
    y : array_like of int, shape (n,)
    X : array_like, shape (n, p), optional
    **choices : FitChoices

    Raises
    ------
    UsageError, RecordsInsufficient, NotEstimable
        As that function before it fits.
    """
    given = _effect_labels(
        choices.get("groups"), choices.get("nested"), choices.get("crossed", ())
    )
    _refuse_choices(choices, len(given))
    looks = arrange_looks(
        y,
        X,
        n_grades=choices.get("n_grades"),
        offset=choices.get("offset"),
        weights=choices.get("weights"),
        nominal=choices.get("nominal"),
        scale=choices.get("scale"),
        labels=given,
        grades=choices.get("grades"),
        names=choices.get("names", (None, None, None)),
    )
    start = choices.get("start")
    return FitTask(
        looks=looks,
        link=link_named(choices.get("link", "logit")),
        structure=choices.get("thresholds", "flexible"),
        estimator=choices.get("estimator", "auto"),
        start=None if start is None else np.asarray(start, dtype=float),
        effects=_name_effects(len(given), choices.get("effect_names", ("load", "tile"))),
        is_nested=choices.get("nested") is not None,
        n_quadrature=choices.get("n_quadrature", 10),
    )


def _effect_labels(
    groups: ArrayLike | None, nested: ArrayLike | None, crossed: Sequence[ArrayLike]
) -> list[ArrayLike]:
    if groups is None and (nested is not None or len(crossed)):
        raise UsageError("nested or crossed groups need groups", hint="name the loads")
    if nested is not None and len(crossed):
        raise UsageError(
            "nested and crossed groups stand together", hint="give one of the two"
        )
    given = [] if groups is None else [groups]
    return given + ([] if nested is None else [nested]) + list(crossed)


def _name_effects(count: int, names: Sequence[str]) -> tuple[str, ...]:
    more = (f"effect {place + 1}" for place in range(len(names), count))
    return (*tuple(names)[:count], *more)


def _refuse_choices(choices: FitChoices, effects: int) -> None:
    unknown = sorted(set(choices) - set(FitChoices.__annotations__))
    if unknown:
        raise UsageError(
            f"{', '.join(unknown)} is no choice of a fit",
            hint=f"one of {', '.join(FitChoices.__annotations__)}",
        )
    thresholds = choices.get("thresholds", "flexible")
    estimator = choices.get("estimator", "auto")
    if thresholds not in STRUCTURES:
        raise UsageError(
            f"thresholds cannot be {thresholds!r}", hint=f"one of {', '.join(STRUCTURES)}"
        )
    if estimator not in ESTIMATORS:
        raise UsageError(
            f"there is no estimator {estimator!r}", hint=f"one of {', '.join(ESTIMATORS)}"
        )
    if choices.get("nominal") is not None and thresholds != "flexible":
        raise UsageError(
            f"nominal terms need flexible thresholds, not {thresholds}",
            hint="leave out one of the two",
        )
    if effects:
        _refuse_beside_effects(choices, estimator, choices.get("n_quadrature", 10))


def _refuse_beside_effects(choices: FitChoices, estimator: str, nodes: int) -> None:
    if choices.get("scale") is not None:
        raise UsageError("scale terms and load effects stand together", hint="give one")
    if estimator.endswith("_br"):
        raise UsageError(
            "bias reduction takes no load effect", hint="leave out groups, or use 'auto'"
        )
    if not 1 <= nodes <= MOST_NODES:
        raise UsageError(
            f"{nodes} quadrature nodes are outside 1 to {MOST_NODES}", hint="10 is usual"
        )
