r"""Efficiencies, prediction variance and power of a plan.

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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from firelab.arrays import FloatArray, IntArray
from firelab.plan.optimal.information import information_matrix, load_indicator
from firelab.series.terms import ModelColumn


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


LEVEL = 0.05
"""Of the two-sided test whose power is given (usual practice)."""


def degrees_of_freedom(rows: FloatArray, plot: IntArray) -> tuple[int, int]:
    """Return the degrees of freedom left between loads and within loads.

    Parameters
    ----------
    rows : ndarray, shape (n, p)
        Model columns, the intercept among them.
    plot : ndarray of int, shape (n,)
        Load of each row.

    Examples
    --------
    Six loads of two; one column is the load's, one varies within it.

    >>> plot = np.repeat(np.arange(6), 2)
    >>> heat = np.repeat([-1.0, -1, 0, 0, 1, 1], 2)
    >>> dwell = np.tile([-1.0, 1], 6)
    >>> degrees_of_freedom(np.column_stack([np.ones(12), heat, dwell]), plot)
    (4, 5)
    """
    loads = load_indicator(plot)
    n_loads = loads.shape[1]
    with_loads = int(np.linalg.matrix_rank(np.column_stack([loads, rows])))
    between = int(np.linalg.matrix_rank(rows)) - (with_loads - n_loads)
    return n_loads - between, len(rows) - with_loads


def _is_between_loads(column: FloatArray, plot: IntArray) -> bool:
    """Tell whether a column is one number per load."""
    loads = load_indicator(plot)
    return bool(np.allclose(column, loads @ (column @ loads / loads.sum(axis=0))))


def power_of_shift(ratio: float, freedom: int) -> float | None:
    """Return the power of a two-sided t test at level 0.05.

    The square of a noncentral t is a noncentral F, whose tail is at hand at every
    ratio; that of the t is not.

    Returns
    -------
    float or None
        None where no degree of freedom is left.

    Examples
    --------
    >>> power_of_shift(0.0, 10) == LEVEL, power_of_shift(2.8, 0) is None
    (True, True)
    """
    from scipy.stats import f, ncf

    if freedom < 1:
        return None
    if ratio == 0:  # where the library's tail comes out negative
        return LEVEL
    limit = f.isf(LEVEL, 1, freedom)
    return round(float(ncf.sf(limit, 1, freedom, ratio**2)), 4)


def power_table(
    rows: FloatArray,
    plot: IntArray,
    covariance: FloatArray,
    columns: Sequence[ModelColumn],
    shift: float,
) -> dict[str, dict[str, float | int | None]]:
    """Return, per column, standard error, degrees of freedom and power.

    The shift is between a factor's ends, two coded units; for a base it is
    against the first base, one unit.

    Parameters
    ----------
    rows : ndarray, shape (n, p)
        Model columns, the intercept first.
    plot : ndarray of int, shape (n,)
        Load of each row.
    covariance : ndarray, shape (p, p)
        Inverse information, in variances within a load.
    columns : sequence of ModelColumn, length p - 1
    shift : float
        In standard deviations within a load.
    """
    between, within = degrees_of_freedom(rows, plot)
    table: dict[str, dict[str, float | int | None]] = {}
    for place, column in enumerate(columns, start=1):
        error = float(np.sqrt(covariance[place, place]))
        freedom = between if _is_between_loads(rows[:, place], plot) else within
        units = 2.0 if column.base is None else 1.0
        table[str(column)] = {
            "standard_error": round(error, 4),
            "degrees_of_freedom": freedom,
            "power": power_of_shift(shift / (units * error), freedom),
        }
    return table
