"""What may be chosen of a cumulative link fit, in one place for all who pass it on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypedDict

from numpy.typing import ArrayLike

from firelab.fits.links import Link


class FitChoices(TypedDict, total=False):
    """Keyword arguments of `fit_cumulative_link`, which describes them."""

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
