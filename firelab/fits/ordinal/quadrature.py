r"""Quadrature of a standard normal effect: Gauss-Hermite nodes, and even ones.

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
from numpy.typing import NDArray
from scipy.special import logsumexp

FloatArray = NDArray[np.float64]

EVEN_REACH = 5.5
"""Standard deviations that even nodes span: beyond it lies 4e-8 of the normal."""
_FEWEST_EVEN, _MOST_EVEN = 23, 71
"""Even nodes at least and at most; with the rule in `even_nodes` the integral of a
group agrees with adaptive quadrature to 1e-3 (tests/fits/test_fits_posterior_density)."""


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
