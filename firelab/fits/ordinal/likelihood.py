r"""The likelihood of graded looks, and the quadrature of an effect that they share.

A look is graded :math:`j` with probability
:math:`F(\theta_j - \eta - u) - F(\theta_{j-1} - \eta - u)`; its latent *ends* are
what stands in the brackets. Looks are independent given the random effects
:math:`u`. An effect that is held explicitly is part of :math:`\eta`; one normal
effect :math:`\tau v_g`, shared by the looks of a group, can be integrated out, for
many parameter points at once with shared nodes, or for one point by adaptive
Gauss-Hermite quadrature with exact gradient.

Gauss-Hermite nodes serve an integrand that is close to normal where they are
placed: around the mode of each group (Liu and Pierce 1994), or around nothing
where a smooth function is averaged. Evenly spaced nodes under the normal density
(the trapezoidal rule) converge faster than any power of their spacing (Trefethen
and Weideman 2014, SIAM Review 56, 385-458) wherever the mode lies, so that many
parameter points can share them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from firelab.arrays import FloatArray, IntArray
from firelab.fits.ordinal.links import Link, interval_terms, move_together
from firelab.fits.ordinal.looks import Groups

EVEN_REACH = 5.5
"""Standard deviations that even nodes span: beyond it lies 4e-8 of the normal."""
_FEWEST_EVEN, _MOST_EVEN = 23, 71
"""Even nodes at least and at most; with the rule in `even_nodes`, 4 and 3.5 per root of
the looks on either side, the integral of a group agrees with adaptive quadrature to 1e-3
(tests/fits/test_fits_posterior_density)."""


class Nodes(NamedTuple):
    """Nodes of a rule for a standard normal weight.

    Attributes
    ----------
    place : ndarray, shape (Q,)
    log_weight : ndarray, shape (Q,)
        The density of the weight included; they add up to one.
    """

    place: FloatArray
    log_weight: FloatArray


@lru_cache(maxsize=16)
def hermite_nodes(count: int) -> Nodes:
    """Return Gauss-Hermite nodes.

    Examples
    --------
    >>> nodes = hermite_nodes(5)
    >>> round(float(np.exp(nodes.log_weight) @ nodes.place**4), 12)
    3.0
    """
    place, weight = np.polynomial.hermite_e.hermegauss(count)
    return Nodes(place, np.log(weight / weight.sum()))


def even_nodes(most_in_a_group: int) -> Nodes:
    """Return evenly spaced nodes, closer together the more looks a group has."""
    wanted = 2 * round(4.0 + 3.5 * np.sqrt(most_in_a_group)) + 1
    count = int(np.clip(wanted, _FEWEST_EVEN, _MOST_EVEN))
    place = np.linspace(-EVEN_REACH, EVEN_REACH, count)
    log_weight = -0.5 * place**2
    return Nodes(place, log_weight - logsumexp(log_weight))


def normal_points(count: int) -> tuple[FloatArray, FloatArray]:
    """Return points and weights, (count,) each, that average over a standard normal."""
    nodes = hermite_nodes(count)
    return nodes.place, np.exp(nodes.log_weight)


class Evaluation(NamedTuple):
    """A log-likelihood at M points, with its slopes where they were asked for.

    Attributes
    ----------
    value : ndarray, shape (M,)
    by_lower, by_upper : ndarray, shape (M, n)
        Derivatives by the lower and by the upper end of each look.
    by_effect : ndarray, shape (M, n)
        Derivatives by what one standard deviation of an integrated effect moves each
        look; empty without one.
    """

    value: FloatArray
    by_lower: FloatArray
    by_upper: FloatArray
    by_effect: FloatArray


def grade_ends(
    grade: IntArray, thresholds: FloatArray, eta: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return both latent ends of each look's grade.

    Parameters
    ----------
    grade : ndarray of int, shape (n,)
    thresholds : ndarray, shape (M, J - 1)
    eta : ndarray, shape (M, n)
        Latent grade, explicit random effects included.

    Returns
    -------
    tuple of (ndarray, ndarray), shape (M, n)
    """
    wall = np.full((len(thresholds), 1), np.inf)
    ends = np.concatenate([-wall, thresholds, wall], axis=1)
    return ends[:, grade] - eta, ends[:, grade + 1] - eta


def by_threshold(
    grade: IntArray, n_grades: int, by_lower: FloatArray, by_upper: FloatArray
) -> FloatArray:
    """Gather (M, n) slopes by the ends into (M, J - 1) by the thresholds."""
    return np.stack(
        [
            by_upper[:, grade == j].sum(axis=1) + by_lower[:, grade == j + 1].sum(axis=1)
            for j in range(n_grades - 1)
        ],
        axis=1,
    )


class LookTerms(NamedTuple):
    """Log probability of each look's grade and its derivatives, (M, n) each.

    Attributes
    ----------
    log_p : ndarray
    by_lower, by_upper : ndarray
        By the ends.
    by_slip : ndarray
        By the probability of a slip.
    no_slip : ndarray
        Posterior probability that the look is no slip.
    bend : ndarray
        Second derivative as both ends move together.
    """

    log_p: FloatArray
    by_lower: FloatArray
    by_upper: FloatArray
    by_slip: FloatArray
    no_slip: FloatArray
    bend: FloatArray


def looks_with_slips(
    link: Link, lower: FloatArray, upper: FloatArray, slip: FloatArray, n_grades: int
) -> LookTerms:
    r"""Return the likelihood of looks, each of which can be a slip of eye or pen.

    A look has the probability :math:`(1 - e) P_j + e / J`: a slip can be any grade.

    Parameters
    ----------
    link : Link
    lower, upper : ndarray, shape (M, n)
        Latent ends, random effects included.
    slip : ndarray, shape (M, n) or (M, 1)
        e.
    n_grades : int
        J.
    """
    terms = interval_terms(link, lower, upper, 2)
    p, e = np.exp(terms.log_p), slip
    mixed = (1.0 - e) * p + e / n_grades
    no_slip = (1.0 - e) * p / mixed
    with np.errstate(invalid="ignore"):
        first, second = move_together(terms)
        bend = no_slip * (second + first * first) - (no_slip * first) ** 2
        by_lower, by_upper = -no_slip * terms.lower[0], no_slip * terms.upper[0]
    unseen = ~(p > 0.0)  # Where the ends are not numbers, too.
    if unseen.any():
        for slope in (by_lower, by_upper, bend):
            slope[unseen] = 0.0
    return LookTerms(
        log_p=np.log(mixed),
        by_lower=by_lower,
        by_upper=by_upper,
        by_slip=(1.0 / n_grades - p) / mixed,
        no_slip=no_slip,
        bend=bend,
    )


def log_with_slips(
    link: Link, lower: FloatArray, upper: FloatArray, slip: FloatArray, n_grades: int
) -> FloatArray:
    """Return the log probabilities of `looks_with_slips` alone, (M, n)."""
    p = np.exp(interval_terms(link, lower, upper, 0).log_p)
    return np.asarray(np.log((1.0 - slip) * p + slip / n_grades))


def grouped_looks(
    link: Link,
    lower: FloatArray,
    upper: FloatArray,
    moves: FloatArray,
    groups: Groups,
    nodes: Nodes,
    *,
    kinds: IntArray | None = None,
    with_slopes: bool = True,
) -> Evaluation:
    """Return the log-likelihood of looks whose groups share a normal effect.

    Parameters
    ----------
    link : Link
    lower, upper : ndarray, shape (M, n)
        Latent ends in a mean group.
    moves : ndarray, shape (M, K)
        What one standard deviation of the effect moves looks of each kind, latent units.
    groups : Groups
    nodes : Nodes
        Shared by all points.
    kinds : ndarray of int, shape (n,), optional
        Kind of each look, 0 to K - 1; all are of kind 0 by default.
    with_slopes : bool, default True
    """
    nothing = np.empty(0)
    if link.name == "logit" and not with_slopes:
        at_nodes = _logit_groups(lower, upper, moves, groups, nodes, kinds)
        return Evaluation(log_sum(at_nodes)[0].sum(axis=1), nothing, nothing, nothing)
    own = moves[:, [0]] if kinds is None else moves[:, kinds]
    shift = own[:, :, None] * nodes.place
    terms = interval_terms(
        link, lower[:, :, None] - shift, upper[:, :, None] - shift, int(with_slopes)
    )
    whole, share = log_sum(groups.add_up(terms.log_p, axis=1) + nodes.log_weight)
    if not with_slopes:
        return Evaluation(whole.sum(axis=1), nothing, nothing, nothing)
    share = share[:, groups.of_row, :]
    on_lower, on_upper = -terms.lower[0] * share, terms.upper[0] * share
    return Evaluation(
        whole.sum(axis=1),
        on_lower.sum(axis=2),
        on_upper.sum(axis=2),
        -((on_lower + on_upper) @ nodes.place),
    )


def log_sum(logs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return log of the sum over the last axis, and each entry's share of it.

    Where nothing is left of any entry the sum is minus infinity and no entry has a share.
    """
    peak = logs.max(axis=-1, keepdims=True)
    anchor = np.where(np.isfinite(peak), peak, 0.0)
    share = np.exp(logs - anchor)
    total = share.sum(axis=-1, keepdims=True)
    with np.errstate(divide="ignore"):
        whole = (np.log(total) + anchor)[..., 0]
    return whole, share / np.where(total > 0.0, total, 1.0)


_LARGEST_LOG = 50.0
"""Largest log of a factor below: a look that its group contradicts by more counts that
much, which only points far outside the posterior do."""
_FACTORS = 12
"""Factors multiplied before a logarithm is taken: 12 times `_LARGEST_LOG` cannot
overflow."""


def _logit_groups(
    lower: FloatArray,
    upper: FloatArray,
    moves: FloatArray,
    groups: Groups,
    nodes: Nodes,
    kinds: IntArray | None,
) -> FloatArray:
    """Return the log-likelihood of each group at each node, (M, G, Q), for the logit.

    The logistic turns a group's likelihood into a product of factors
    ``1 + exp(end) exp(shift)``, so no logarithm is taken per look and node.
    """
    with np.errstate(divide="ignore"):
        apart = np.log(-np.expm1(lower - upper))
    whole = groups.add_up(apart, axis=1)[:, :, None] + nodes.log_weight
    for kind in range(moves.shape[1]):
        shift = moves[:, [kind]] * nodes.place
        for ends, sign in ((-upper, 1.0), (lower, -1.0)):
            has_end = np.isfinite(ends[0])
            kept = np.flatnonzero(has_end if kinds is None else has_end & (kinds == kind))
            if kept.size:
                _subtract_factors(whole, ends[:, kept], sign * shift, groups.of_row[kept])
    return whole


def _subtract_factors(
    whole: FloatArray, ends: FloatArray, shift: FloatArray, group: IntArray
) -> None:
    most = np.exp(_LARGEST_LOG)
    grown = np.exp(np.minimum(ends, _LARGEST_LOG))[:, :, None]
    grown = grown * np.exp(np.clip(shift, -_LARGEST_LOG, _LARGEST_LOG))[:, None, :]
    np.minimum(grown, most, out=grown)
    grown += 1.0
    first = np.flatnonzero(np.diff(group, prepend=-1))
    within = np.arange(group.size) - np.repeat(first, np.diff(np.append(first, group.size)))
    runs = np.flatnonzero(within % _FACTORS == 0)
    logs = np.log(np.multiply.reduceat(grown, runs, axis=1))
    groups = group[runs]
    own = np.flatnonzero(np.diff(groups, prepend=-1))
    whole[:, groups[own]] -= np.add.reduceat(logs, own, axis=1)
