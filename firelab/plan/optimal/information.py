r"""Information of a split-plot plan.

With :math:`V = I + \eta Z Z'`, where :math:`Z` tells the loads and :math:`\eta`
is the variance of loads over that within a load,

.. math:: X'V^{-1}X = \sum_w X_w'X_w - c_w s_w s_w', \qquad
          c_w = \frac{\eta}{1 + n_w \eta},

with :math:`s_w` the sum of the rows of load w. At :math:`\eta = 0` it is
:math:`X'X`.

Putting :math:`x_n` in the place of :math:`x_o` in load w changes the information
by :math:`a d' + d a' + (1 - c_w) d d'`, with :math:`d = x_n - x_o` and
:math:`a = x_o - c_w s_w`. With :math:`P` the inverse information and
:math:`\alpha = d'Pd`, :math:`\beta = d'Pa`, :math:`\gamma = a'Pa`, the
determinant is multiplied by :math:`(1+\beta)^2 + \alpha (1 - c_w - \gamma)`; the
trace of :math:`PB` follows by the same rank-two update.

References
----------
.. [1] Goos, P. and Vandebroek, M. (2003). D-optimal split-plot designs with
   given numbers and sizes of whole plots. *Technometrics*, 45(3), 235-245.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firelab.arrays import FloatArray, IntArray
from firelab.plan.optimal.problem import Criterion


def shrinkage(sizes: IntArray | FloatArray, eta: float) -> FloatArray:
    r"""Return :math:`c_w = \eta / (1 + n_w \eta)` of each load, shape (L,)."""
    return np.asarray(eta / (1.0 + sizes * eta), dtype=float)


def load_indicator(plot: IntArray) -> FloatArray:
    """Return Z: which load each row is in, shape (n, L) of 0 and 1."""
    return np.asarray(plot[:, None] == np.unique(plot), dtype=float)


def information_matrix(rows: FloatArray, plot: IntArray, eta: float) -> FloatArray:
    r"""Return :math:`X'V^{-1}X`.

    Parameters
    ----------
    rows : ndarray, shape (n, p)
        Model columns, the intercept among them.
    plot : ndarray of int, shape (n,)
        Load of each row.
    eta : float
        Variance of loads over variance within a load; not negative.

    Returns
    -------
    ndarray, shape (p, p)

    Examples
    --------
    Sixteen tiles in loads of four, two whole-plot and two sub-plot factors at
    two levels, orthogonal: :math:`n^p / (1 + m\eta)^{1 + 2}`.

    >>> from itertools import product
    >>> x = np.array([(1, *signs) for signs in product((-1, 1), repeat=4)], float)
    >>> m = information_matrix(x, np.arange(16) // 4, 1.0)
    >>> round(float(np.linalg.det(m)), 3)
    8388.608
    """
    loads = load_indicator(plot)
    sums = loads.T @ rows
    weights = shrinkage(loads.sum(axis=0), eta)
    return np.asarray(rows.T @ rows - (sums.T * weights) @ sums, dtype=float)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Exchange:
    """Candidates for one row of B plans.

    Attributes
    ----------
    change : ndarray, shape (B, K, p)
        d of each candidate.
    anchor : ndarray, shape (B, p)
        a of the row.
    c : float
        Shrinkage of its load.
    """

    change: FloatArray
    anchor: FloatArray
    c: float


def exchange_gains(
    exchange: Exchange, inverse: FloatArray, moments: FloatArray, criterion: Criterion
) -> FloatArray:
    """Return how many times better each candidate is, shape (B, K).

    Parameters
    ----------
    exchange : Exchange
    inverse : ndarray, shape (B, p, p)
        Inverse information of each plan.
    moments : ndarray, shape (p, p)
        B, for the criterion I.
    criterion : {'D', 'I'}

    Returns
    -------
    ndarray
        Determinant after over before, or mean prediction variance before over
        after; above 1 is better.
    """
    change, anchor, c = exchange.change, exchange.anchor, exchange.c
    moved = change @ inverse
    held = np.einsum("bij,bj->bi", inverse, anchor)
    alpha = (moved * change).sum(axis=2)
    beta = np.einsum("bkj,bj->bk", change, held)
    gamma = (anchor * held).sum(axis=1)[:, None]
    ratio = (1.0 + beta) ** 2 + alpha * (1.0 - c - gamma)
    if criterion == "D":
        return np.asarray(ratio, dtype=float)
    spread_d = ((moved @ moments) * moved).sum(axis=2)
    spread_a = held @ moments
    spread_da = np.einsum("bkj,bj->bk", moved, spread_a)
    spread_aa = (spread_a * held).sum(axis=1)[:, None]
    before = np.einsum("bij,ij->b", inverse, moments)[:, None]
    cut = (gamma - 1.0 + c) * spread_d - 2.0 * (1.0 + beta) * spread_da + alpha * spread_aa
    with np.errstate(divide="ignore", invalid="ignore"):
        after = before + cut / ratio
        gain = np.where((ratio > 1e-12) & (after > 0), before / after, 0.0)
    return np.asarray(gain, dtype=float)


def update_inverse(
    inverse: FloatArray, change: FloatArray, anchor: FloatArray, c: float
) -> FloatArray:
    """Return the inverse information after an exchange, shape (B, p, p).

    Parameters
    ----------
    inverse : ndarray, shape (B, p, p)
    change, anchor : ndarray, shape (B, p)
        d and a of the row exchanged.
    c : float
        Shrinkage of its load.
    """
    moved = np.einsum("bij,bj->bi", inverse, change)
    held = np.einsum("bij,bj->bi", inverse, anchor)
    alpha = (moved * change).sum(axis=1)
    beta = (held * change).sum(axis=1)
    gamma = (held * anchor).sum(axis=1)
    first, second = gamma - 1.0 + c, 1.0 + beta
    det = (alpha * first - second**2)[:, None, None]
    outer = (
        first[:, None, None] * moved[:, :, None] * moved[:, None, :]
        - second[:, None, None]
        * (moved[:, :, None] * held[:, None, :] + held[:, :, None] * moved[:, None, :])
        + alpha[:, None, None] * held[:, :, None] * held[:, None, :]
    )
    return np.asarray(inverse - outer / det, dtype=float)
