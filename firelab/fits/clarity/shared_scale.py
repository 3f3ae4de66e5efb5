r"""The parameters of a clarity fit on scales that any series of a kind shares.

A score is a share of its scale, from 0, the cloudiest, to 1, the clearest; heat is the
maturity, from -1 where the target begins to +1 where it ends. So it holds whatever range,
levels and scores a series has. Every one of them is normal under its prior, the two
deviations as the normal score of their place in a half-normal one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from firelab.arrays import FloatArray
from firelab.fits.clarity.fit import ClarityFit
from firelab.fits.clarity.maturity import MaturityColumn
from firelab.series.declared_parts import PriorSpecification
from firelab.series.terms import coding

CLARITY = "clarity"
"""In the middle of the target; begins the name of every other one, too."""
CLARITY_RISE, CLARITY_PEAK = "clarity rise", "clarity peak"
"""What is gained from the beginning of the target to its end; how much clearer its middle
is than the mean of both ends."""
CLARITY_MESH = "clarity mesh"
_BY_POWER = {1: (CLARITY_RISE, 2.0), 2: (CLARITY_PEAK, -1.0)}
CLARITY_LOAD, CLARITY_TILE = "clarity between loads", "clarity between tiles"
_SURELY = 1e-12
"""Least probability that a normal score is taken of."""

Prior = tuple[float, float]
"""Mean and standard deviation."""


def clarity_deviations(scores: ArrayLike) -> FloatArray:
    """Return deviations between tiles, as shares of the scale, from their normal scores.

    Examples
    --------
    >>> clarity_deviations([0.0]).round(4)  # the median of a half-normal
    array([0.1012])
    """
    most = PriorSpecification().clarity_tile_sd
    return np.asarray(most * ndtri((ndtr(scores) + 1.0) / 2.0))


def shared_clarity(fit: ClarityFit) -> tuple[dict[str, FloatArray], dict[str, Prior]]:
    """Return the draws of a clarity fit on the shared scales, and the prior of each.

    Effects of mesh, layers and base are per doubling of the grain, per coat and from the
    first base. Both are empty where clarity does not follow maturity: the middle of the
    target is then no setting of the fit.

    Parameters
    ----------
    fit : ClarityFit

    Returns
    -------
    dict of str to ndarray, shape (S,)
    dict of str to (float, float)
    """
    scale = fit.series.responses.transparency
    if scale is None or fit.design.maturity is None:
        return {}, {}
    width = scale.sign * (scale.high - scale.low)
    cloudiest = scale.low if scale.sign > 0 else scale.high
    draws, stated = fit.draws, fit.priors
    values = {CLARITY: (draws.intercept - cloudiest) / width}
    priors = {CLARITY: ((stated.mean[0] - cloudiest) / width, stated.sd[0] / abs(width))}
    for place, column in enumerate(fit.design.columns):
        if isinstance(column, MaturityColumn):
            name, times = _BY_POWER[column.power]
        elif column.factor is None:
            continue
        elif column.base is None:
            name = f"{CLARITY} {column}"
            times = 1.0 / coding(fit.series, column.factor).half_width
        else:
            name, times = f"{CLARITY} {column}", 1.0
        values[name] = times * draws.coefficients[:, place] / width
        sd = abs(times) * stated.sd[1 + place] / abs(width)
        priors[name] = (times * stated.mean[1 + place] / width, float(sd))
    for name, sds, most in (
        (CLARITY_LOAD, draws.load_sd, stated.load_scale),
        (CLARITY_TILE, draws.residual_sd, stated.residual_scale),
    ):
        share = 2.0 * ndtr(sds / most) - 1.0
        values[name] = ndtri(np.clip(share, _SURELY, 1.0 - _SURELY))
        priors[name] = (0.0, 1.0)
    return values, priors
