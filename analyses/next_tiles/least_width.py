r"""How narrow 21 tiles could make the edges if the truth were known beforehand.

The expected information of a tile at :math:`x` is
:math:`J^\top \mathrm{diag}(1/p) J`, with :math:`p` the probabilities of its grades
and :math:`J` their derivatives by the parameters; with the curvature of the priors
it gives the covariance of the edges (McCullagh 1980, *J. R. Stat. Soc. B* 42, 109-142,
for the information). Loads are left out: they cost the 36 tiles of four to a load
more than the 21. The 12 tiles of the start are held; nine more are added one by
one where they narrow the edges most, which nobody can do who does not know the
truth. So no way of choosing tiles that are fired once could do much better than this ratio.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from colours import DWELLS_S, SERIES, factorial
from numpy.typing import NDArray
from scipy.special import expit

from firelab.fits.ordinal.parameters import make_priors, parameterise
from firelab.series.terms import model_matrix, term_columns
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

FloatArray = NDArray[np.float64]
MORE_TILES = 9
SETTING = {"mesh": 80, "layers": 1, "base": "none"}
COLUMNS = term_columns(SERIES, SERIES.terms)
LAYOUT = parameterise(SERIES, COLUMNS, link="logit")
_STEP = 1e-5
_LOGIT_80 = float(np.log(4.0))


def slopes(told: Callable[[FloatArray], FloatArray], point: FloatArray) -> FloatArray:
    """Return derivatives by central differences, shape (values, parameters)."""
    ways = _STEP * np.eye(len(point))
    return np.array([told(point + h) - told(point - h) for h in ways]).T / (2 * _STEP)


def point_of(kiln: SimulatedKiln) -> FloatArray:
    """Return a kiln's truth as unconstrained parameters, load deviation last."""
    steepness = kiln.effects["temperature"]
    places = np.array(kiln.thresholds) / steepness
    share = np.log(kiln.effects["dwell"] / steepness)
    return np.array(
        [places.mean(), *np.log(np.diff(places)), np.log(steepness), share, 0.0]
    )


def grades_at(x: FloatArray, point: FloatArray) -> FloatArray:
    """Return the probabilities of the grades at one setting."""
    natural = LAYOUT.stage_parameters(point[None])
    below = expit(natural.thresholds[0] - x @ natural.coefficients[0])
    return np.diff(below, prepend=0.0, append=1.0)


def edges_at(dwells: FloatArray, point: FloatArray) -> FloatArray:
    """Return both edges at coded dwells, degC about the middle."""
    natural = LAYOUT.stage_parameters(point[None])
    _, low, high = natural.thresholds[0]
    steepness, dwell = natural.coefficients[0]
    shift = dwell * dwells
    coded = np.concatenate([low + _LOGIT_80 - shift, high - _LOGIT_80 - shift]) / steepness
    coldest, hottest = SERIES.span("temperature")
    return coded * (hottest - coldest) / 2


def information(settings: pd.DataFrame, point: FloatArray) -> FloatArray:
    """Return the information of a tile at each of n settings, shape (n, q, q)."""
    found = []
    for x in model_matrix(SERIES, settings, SERIES.terms):
        slope = slopes(lambda at, x=x: grades_at(x, at), point)
        found.append(slope.T @ (slope / np.maximum(grades_at(x, point), 1e-12)[:, None]))
    return np.array(found)


def least_ratio(kiln: SimulatedKiln) -> float:
    """Return the best 21 tiles' width over that of the 36-tile factorial."""
    point = point_of(kiln)
    priors = np.diag(make_priors(SERIES, LAYOUT, link="logit").sd ** -2.0)
    coldest, hottest = SERIES.span("temperature")
    T, d = np.meshgrid(np.linspace(coldest, hottest, 25), DWELLS_S)
    choices = information(settings_at(SETTING, T.ravel(), d.ravel()), point)
    start = information(factorial(3).tiles, point).sum(axis=0) + priors
    whole = information(factorial(9).tiles, point).sum(axis=0) + priors
    coded = model_matrix(SERIES, factorial(3).tiles[:4], SERIES.terms)[:, 1]
    slope = slopes(lambda at: edges_at(coded, at), point)

    def width(held: FloatArray) -> float:
        variance = np.einsum("ij,jk,ik->i", slope, np.linalg.inv(held), slope)
        return float(np.sqrt(variance).mean())

    for _ in range(MORE_TILES):
        start = start + min(choices, key=lambda one, held=start: width(held + one))
    return width(start) / width(whole)
