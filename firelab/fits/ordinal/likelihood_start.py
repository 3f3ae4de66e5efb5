"""Where an optimiser starts, and what size counts as one for each parameter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.grade_design import GradeDesign
from firelab.fits.ordinal.links import Link
from firelab.fits.ordinal.load_likelihood import LoadLikelihood
from firelab.fits.ordinal.newton import (
    Maximum,
    Objective,
    convergence_record,
    differenced_hessian,
)

FloatArray = NDArray[np.float64]

_VANISHED = 1e-6
START_SD = 0.7
"""Standard deviation of an effect at the start, latent units."""


def plain_start(design: GradeDesign, link: Link) -> FloatArray:
    """Return thresholds from the grades' shares and no effects, shape (q,)."""
    counts = np.bincount(design.y, weights=design.weights, minlength=design.n_grades)
    counts = counts + 0.25 * (counts == 0.0)
    shares = np.cumsum(counts)[:-1] / np.sum(counts)
    thresholds = link.quantile(shares) + float(np.mean(design.offset))
    start = np.zeros(design.n_parameters)
    spaced, *_ = np.linalg.lstsq(design.spacing, thresholds, rcond=None)
    if np.any(np.diff(design.spacing @ spaced) <= 0.0):
        spaced = np.zeros(design.n_spacing)
        spaced[1:] = np.arange(design.n_spacing - 1, 0, -1)
    start[: design.n_spacing] = spaced
    return start


def load_start(plain: FloatArray, count: int) -> FloatArray:
    """Return a start with effects, from the maximum without them.

    Parameters
    ----------
    plain : ndarray, shape (q,)
    count : int
        Number of standard deviations to add.
    """
    growth = np.sqrt(1.0 + 0.35 * count * START_SD**2)
    return np.append(plain * growth, np.full(count, START_SD))


def parameter_units(design: GradeDesign, effects: int) -> FloatArray:
    """Return the change of each parameter that moves some cut by one, shape (q + c,)."""
    cuts = design.n_grades - 1
    sizes = [np.ones(design.n_spacing)]
    sizes.append(np.tile(_largest(design.nominal), cuts))
    sizes.append(_largest(design.X))
    sizes.append(_largest(design.scale))
    sizes.append(np.ones(effects))
    return np.asarray(1.0 / np.concatenate(sizes))


def _largest(columns: FloatArray) -> FloatArray:
    if not columns.shape[1]:
        return np.empty(0)
    high, low = columns.max(axis=0), columns.min(axis=0)
    return np.asarray(np.maximum(np.maximum(high, -low), 1e-300), dtype=np.float64)


@np.errstate(all="ignore")
def settle_effects(likelihood: Objective, found: Maximum, count: int) -> Maximum:
    """Return a maximum whose standard deviations are not negative.

    The likelihood is even in each of them. One that came to nothing is set to
    0, and a Hessian from too few nodes is replaced by an exact one.

    Parameters
    ----------
    likelihood : Objective
    found : Maximum
    count : int
        Number of standard deviations, last in the point.
    """
    point = found.point.copy()
    sds = np.abs(point[-count:])
    point[-count:] = np.where(sds < _VANISHED, 0.0, sds)
    here = likelihood.evaluate(point)
    if isinstance(likelihood, LoadLikelihood) and likelihood.has_few_nodes:
        here = here._replace(hessian=differenced_hessian(likelihood, point))
    record = convergence_record(
        here, np.arange(len(point)), found.convergence.code, found.convergence.iterations
    )
    return replace(found, point=point, evaluation=here, convergence=record)
