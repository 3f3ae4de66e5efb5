"""What may be chosen of a cumulative link fit, in one place for all who pass it on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypedDict

from numpy.typing import ArrayLike

from firelab.fits.ordinal.links import Link


class FitChoices(TypedDict, total=False):
    r"""Keyword arguments of `firelab.fits.ordinal.cumulative_link.fit_cumulative_link`.

    Attributes
    ----------
    n_grades : int
        J; the highest grade seen, plus one, by default.
    link : {'logit', 'probit', 'cloglog', 'loglog', 'cauchit'} or Link
    offset : array_like, shape (n,)
        Added to :math:`x'\beta`.
    weights : array_like, shape (n,)
        Looks that a row stands for; rows of weight 0 are left out.
    nominal : array_like, shape (n, w)
        Columns with one coefficient per cut (partial proportional odds); not
        also in `X`.
    scale : array_like, shape (n, k)
        Columns that widen the latent distribution by :math:`e^{s'\zeta}`.
    thresholds : {'flexible', 'equidistant', 'symmetric'}
        What is asked of the thresholds.
    groups : array_like, shape (n,)
        Load of each look, with a normal effect.
    nested : array_like, shape (n,)
        Tile of each look within its load, with a normal effect too.
    crossed : sequence of array_like, shape (n,)
        Further groups that cross the loads, such as observers; all effects
        are then integrated by the Laplace approximation.
    n_quadrature : int, default 10
        Nodes per effect; 1 is the Laplace approximation.
    estimator : {'auto', 'ml', 'mean_br', 'median_br'}, default 'auto'
        Maximum likelihood, and mean bias reduction where that is infinite; or
        what is named. Bias reduction takes no load effect.
    start : array_like
        Starting values, in the order of the estimates.
    grades : sequence of str
        Names of the J grades.
    names : three sequences of str or None
        Names of the columns of `X`, `nominal` and `scale`.
    effect_names : sequence of str
        What carries the effects: of `groups`, then `nested` or each `crossed`.
    """

    n_grades: int | None
    link: str | Link
    offset: ArrayLike | None
    weights: ArrayLike | None
    nominal: ArrayLike | None
    scale: ArrayLike | None
    thresholds: Literal["flexible", "equidistant", "symmetric"]
    groups: ArrayLike | None
    nested: ArrayLike | None
    crossed: Sequence[ArrayLike]
    n_quadrature: int
    estimator: Literal["auto", "ml", "mean_br", "median_br"]
    start: ArrayLike | None
    grades: Sequence[str] | None
    names: Sequence[Sequence[str] | None]
    effect_names: Sequence[str]
