r"""Efficiencies and prediction variance of a plan.

With :math:`M = X'V^{-1}X`, n rows, p columns and the variance function
:math:`d(x) = f(x)'M^{-1}f(x)` over a region of candidate settings:

- D is :math:`|M|^{1/p}/n`, larger is better;
- A is :math:`n\,\mathrm{tr}(M^{-1})/p`, smaller is better;
- G is :math:`p/(n \max d)`, larger is better, 1 at best for :math:`V = I`;
- I is :math:`n \overline{d}`, smaller is better.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 5.5.2.1.
.. [2] Atkinson, A. C., Donev, A. N. and Tobias, R. D. (2007). *Optimum
   Experimental Designs, with SAS*. Oxford, chapters 10 and 17.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.plan.optimal.information import information_matrix

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Efficiency:
    """Efficiencies of one plan for one model.

    Attributes
    ----------
    d, a, g, i : float
        See the module.
    log_det : float
        ln det of the information.
    variance : ndarray, shape (m,)
        Prediction variance at each setting of the region, in units of the
        variance within a load; the square root is the standard error.
    covariance : ndarray, shape (p, p)
        Inverse information.
    """

    d: float
    a: float
    g: float
    i: float
    log_det: float
    variance: FloatArray
    covariance: FloatArray


def efficiency(
    rows: FloatArray, plot: IntArray, eta: float, region: FloatArray
) -> Efficiency | None:
    """Return the efficiencies of a plan; None where it cannot carry the model.

    Parameters
    ----------
    rows : ndarray, shape (n, p)
        Model columns, the intercept among them.
    plot : ndarray of int, shape (n,)
        Load of each row.
    eta : float
        Variance of loads over variance within a load.
    region : ndarray, shape (m, p)
        Model columns of the settings to predict.

    Examples
    --------
    The twelve runs of the handbook's example, over its twenty candidates.

    >>> from itertools import product
    >>> def columns(x):
    ...     x = np.array(list(x), dtype=float)
    ...     return np.column_stack([np.ones(len(x)), x, x[:, 0] ** 2])
    >>> runs = columns(product((-1, 0, 1), (-1, 1), (-1, 1)))
    >>> region = columns(product((-1, -0.5, 0, 0.5, 1), (-1, 1), (-1, 1)))
    >>> found = efficiency(runs, np.arange(12), 0.0, region)
    >>> [round(value, 7) for value in (found.d, found.a, found.g, found.i)]
    [0.6825575, 2.2, 1.0, 4.6625]
    """
    n, p = rows.shape
    information = information_matrix(rows, plot, eta)
    if np.linalg.matrix_rank(rows) < p:
        return None
    sign, log_det = np.linalg.slogdet(information)
    if sign <= 0:
        return None
    covariance = np.linalg.inv(information).astype(np.float64)
    variance = np.einsum("ij,jk,ik->i", region, covariance, region)
    return Efficiency(
        d=float(np.exp(log_det / p) / n),
        a=float(n * np.trace(covariance) / p),
        g=float(p / (n * variance.max())),
        i=float(n * variance.mean()),
        log_det=float(log_det),
        variance=variance,
        covariance=covariance,
    )
