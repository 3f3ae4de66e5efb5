r"""Bias-reduced fits: finite where maximum likelihood runs to infinity.

The score is adjusted so that the first-order bias of the estimates (Kosmidis
2014), or of their medians (Kenne Pagui, Salvan and Sartori 2017), vanishes.
With :math:`F` the expected information and :math:`\pi` the probability of
grade :math:`k` for look :math:`i`, the mean-bias adjustment is

.. math:: A_t = \tfrac12 \sum_i \sum_k
   \operatorname{tr}(F^{-1} \nabla^2 \pi_{ik})\,
   \frac{\partial \pi_{ik} / \partial \psi_t}{\pi_{ik}}.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.ordinal.interval_terms import IntervalTerms, interval_terms
from firelab.fits.ordinal.newton import Convergence, Maximum, convergence_record, is_small
from firelab.fits.ordinal.plain_likelihood import (
    Cuts,
    Evaluation,
    PlainLikelihood,
    place_cuts,
)

FloatArray = NDArray[np.float64]

_SCORING_STEPS = 100
_NEWTON_STEPS = 12
_CLOSE = 1e-3
_DIFFERENCE = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AdjustedScore:
    """The adjusted score of a plain cumulative link model.

    Attributes
    ----------
    likelihood : PlainLikelihood
    median : bool
        Centre the medians of the estimates instead of their means.
    """

    likelihood: PlainLikelihood
    median: bool = False

    def gradient(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Return the log-likelihood and the adjusted score."""
        value, score, _ = self.with_information(point)
        return value, score

    def with_information(self, point: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return log-likelihood, adjusted score and expected information."""
        information = self.likelihood.expected_information(point)
        inverse = _inverted(information)
        value, score = self._plain_score(point)
        if self.median:
            adjustment = self._median_adjustment(point, information, inverse)
        else:
            adjustment = self._mean_adjustment(point, inverse)
        return value, score + adjustment, information

    def _plain_score(self, point: FloatArray) -> tuple[float, FloatArray]:
        value, score = 0.0, np.zeros(len(point))
        for block in self.likelihood.blocks():
            cuts = place_cuts(self.likelihood.design, block, point)
            terms = interval_terms(self.likelihood.link, cuts.lower, cuts.upper, 1)
            value += float(block.weights @ terms.log_p)
            score += block.weights @ _scores(cuts, terms)
        return value, score

    def _mean_adjustment(self, point: FloatArray, inverse: FloatArray) -> FloatArray:
        design, adjustment = self.likelihood.design, np.zeros(len(point))
        for grade in range(design.n_grades):
            for block in design.blocks(grade=grade):
                cuts = place_cuts(design, block, point)
                terms = interval_terms(self.likelihood.link, cuts.lower, cuts.upper, 2)
                bend = _traced_curvature(cuts, terms, block.scale, inverse)
                share = block.weights * np.exp(terms.log_p)
                adjustment += 0.5 * (share * bend) @ _scores(cuts, terms)
        return adjustment

    def _median_adjustment(
        self, point: FloatArray, information: FloatArray, inverse: FloatArray
    ) -> FloatArray:
        design, q = self.likelihood.design, len(point)
        third, bent = np.zeros((q, q, q)), np.zeros((q, q, q))
        for grade in range(design.n_grades):
            for block in design.blocks(grade=grade):
                cuts = place_cuts(design, block, point)
                terms = interval_terms(self.likelihood.link, cuts.lower, cuts.upper, 2)
                share = block.weights * np.exp(terms.log_p)
                score = _scores(cuts, terms)
                third += np.einsum("i,ia,ib,ir->rab", share, score, score, score)
                curvature = _log_curvature(cuts, terms, block.scale)
                bent += np.einsum("i,iab,ir->rab", share, curvature, score)
        mean = 0.5 * np.einsum("ab,rab->r", inverse, third + bent)
        shape = third / 3.0 + bent / 2.0
        column = np.einsum("at,bt->tab", inverse, inverse)
        column /= np.diag(inverse)[:, None, None]
        skew = np.einsum("tab,rab->tr", column, shape)
        return np.asarray(mean - information @ np.einsum("tr,tr->t", inverse, skew))


def _inverted(information: FloatArray) -> FloatArray:
    """Invert, or return nothing that is finite where that cannot be done."""
    try:
        return np.asarray(np.linalg.inv(information), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.full_like(information, np.nan)


def _scores(cuts: Cuts, terms: IntervalTerms) -> FloatArray:
    score = cuts.by_upper * terms.upper[0][:, None]
    return np.asarray(score - cuts.by_lower * terms.lower[0][:, None])


def _traced_curvature(
    cuts: Cuts, terms: IntervalTerms, scale: FloatArray, inverse: FloatArray
) -> FloatArray:
    """Trace of the inverse information with the curvature of P, over P, per cell."""
    traced = np.zeros(len(cuts.lower))
    for by, (first, second), sign in (
        (cuts.by_upper, terms.upper, 1.0),
        (cuts.by_lower, terms.lower, -1.0),
    ):
        traced += sign * second * np.einsum("ia,ab,ib->i", by, inverse, by)
        if scale.shape[1]:
            m = by.shape[1] - scale.shape[1]
            mixed = 2.0 * np.einsum("ia,ab,ib->i", by, inverse[:, m:], scale)
            square = np.einsum("ia,ab,ib->i", by[:, m:], inverse[m:, m:], scale)
            traced -= sign * first * (mixed - square)
    return traced


def _log_curvature(cuts: Cuts, terms: IntervalTerms, scale: FloatArray) -> FloatArray:
    """Hessian of log P by all parameters, per cell, shape (m, q, q)."""
    (b1, b2), (a1, a2) = terms.upper, terms.lower
    up, low = cuts.by_upper, cuts.by_lower
    crossed = np.einsum("i,ia,ib->iab", a1 * b1, up, low)
    bent = np.einsum("i,ia,ib->iab", b2 - b1 * b1, up, up)
    bent -= np.einsum("i,ia,ib->iab", a2 + a1 * a1, low, low)
    bent += crossed + crossed.transpose(0, 2, 1)
    if scale.shape[1]:
        m = up.shape[1] - scale.shape[1]
        slopes = up * b1[:, None] - low * a1[:, None]
        mixed = -np.einsum("ia,ib->iab", slopes, scale)
        bent[:, :, m:] += mixed
        bent[:, m:, :m] += mixed[:, :m].transpose(0, 2, 1)
    return np.asarray(bent)


def solve_adjusted(score: AdjustedScore, start: FloatArray, units: FloatArray) -> Maximum:
    """Return the root of an adjusted score.

    Scoring steps come near it; Newton steps, with the slope of the adjusted
    score from differences, end on it.

    Parameters
    ----------
    score : AdjustedScore
    start : ndarray, shape (q,)
        A point where every grade has a probability.
    units : ndarray, shape (q,)
        Size that counts as one for each parameter.

    Returns
    -------
    Maximum
        Whose evaluation holds the plain log-likelihood, the adjusted score and
        minus the expected information.
    """
    with np.errstate(all="ignore"):
        return _approach(score, np.array(start, dtype=float), units)


def _approach(score: AdjustedScore, point: FloatArray, units: FloatArray) -> Maximum:
    count = 0
    value, slope, information = score.with_information(point)
    for _ in range(_SCORING_STEPS):
        count += 1
        step = _inverted(information) @ slope
        before = point
        point, (value, slope, information) = _damped(score, point, step, slope, information)
        if point is before:
            break
        if slope @ _inverted(information) @ slope < _CLOSE**2:
            break
    steady = False
    for _ in range(_NEWTON_STEPS):
        jacobian = _slope_of_score(score, point, units)
        step = -_inverted(jacobian) @ slope
        trial = score.with_information(point + step)
        if not np.all(np.isfinite(trial[1])):
            break
        count += 1
        steady = is_small(step, point, units)
        point, (value, slope, information) = point + step, trial
        if steady:
            break
    here = Evaluation(value, slope, -information)
    free = np.arange(len(point))
    record: Convergence = convergence_record(here, free, 0 if steady else 2, count)
    return Maximum(point=point, evaluation=here, convergence=record, steady=steady)


def _damped(
    score: AdjustedScore,
    point: FloatArray,
    step: FloatArray,
    slope: FloatArray,
    information: FloatArray,
) -> tuple[FloatArray, tuple[float, FloatArray, FloatArray]]:
    """Shorten a scoring step until the adjusted score, in its metric, shrinks."""
    before = float(slope @ step)
    for halving in range(25):
        trial = point + step * 0.5**halving
        value, ahead, metric = score.with_information(trial)
        if np.all(np.isfinite(ahead)):
            after = float(ahead @ _inverted(metric) @ ahead)
            if after <= before * (1.0 + 1e-3) or halving > 8:
                return trial, (value, ahead, metric)
    return point, (score.gradient(point)[0], slope, information)


def _slope_of_score(
    score: AdjustedScore, point: FloatArray, units: FloatArray
) -> FloatArray:
    jacobian = np.empty((len(point), len(point)))
    for place in range(len(point)):
        step = np.zeros(len(point))
        step[place] = _DIFFERENCE * max(float(units[place]), abs(point[place]))
        ahead, behind = score.gradient(point + step)[1], score.gradient(point - step)[1]
        jacobian[:, place] = (ahead - behind) / (2.0 * step[place])
    return jacobian
