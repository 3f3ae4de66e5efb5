"""What is believed of the clarity score before any tile is scored.

The priors are wide against what scores do, and proper: a fit with no fused
tile at all returns them unchanged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.priors import is_product
from firelab.series.firing_series import TransparencyResponse
from firelab.series.prior_wish import PriorWish

FloatArray = NDArray[np.float64]

_INTERCEPT_SHARE = 0.5
_BASE_TIMES = 1.4
_PRODUCT_TIMES = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClarityPriors:
    """Independent priors, in units of the score.

    Attributes
    ----------
    mean, sd : ndarray, shape (1 + p,)
        Of intercept and coefficients, normal.
    load_scale, residual_scale : float
        Of the standard deviations between loads and between tiles of one
        load, half-normal.
    rounding : float
        Variance that writing a score in whole steps adds: step^2 / 12.
    """

    mean: FloatArray
    sd: FloatArray
    load_scale: float
    residual_scale: float
    rounding: float

    def lines(self) -> tuple[str, ...]:
        """Return the priors in words, one line each."""
        effects = sorted({float(f"{sd:.3g}") for sd in self.sd[1:]})
        spreads = ", ".join(f"{sd:g}" for sd in effects) or "none"
        return (
            f"score at the centre of the series: normal, mean {self.mean[0]:g}, "
            f"sd {self.sd[0]:g}",
            f"effects on the score per half range of a factor, per base, or of a "
            f"product: normal, mean 0, sd {spreads}",
            f"sd between loads: half-normal, scale {self.load_scale:g}",
            f"sd between tiles of a load: half-normal, scale {self.residual_scale:g}",
        )


def clarity_priors(
    scale: TransparencyResponse, wish: PriorWish, columns: Sequence[str]
) -> ClarityPriors:
    """Return the priors for the columns of a model, as shares of the score's range.

    Parameters
    ----------
    scale : TransparencyResponse
        Fixes the range and the step of the score.
    wish : PriorWish
        The series' ``[priors]``.
    columns : sequence of str
        As `firelab.series.terms.term_columns` names them.

    Examples
    --------
    >>> columns = ["temperature", "temperature^2"]
    >>> priors = clarity_priors(TransparencyResponse(), PriorWish(), columns)
    >>> priors.mean.tolist(), priors.sd.tolist()
    ([5.0, 0.0, 0.0], [5.0, 2.5, 1.25])
    """
    width = scale.high - scale.low
    effects = [wish.clarity_effect * _times(column) for column in columns]
    mean = np.zeros(1 + len(effects))
    mean[0] = (scale.low + scale.high) / 2
    return ClarityPriors(
        mean=mean,
        sd=width * np.array([_INTERCEPT_SHARE, *effects]),
        load_scale=width * wish.clarity_load_sd,
        residual_scale=width * wish.clarity_tile_sd,
        rounding=scale.step**2 / 12,
    )


def _times(column: str) -> float:
    if is_product(column):
        return _PRODUCT_TIMES
    return _BASE_TIMES if column.startswith("base[") else 1.0
