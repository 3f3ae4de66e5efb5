r"""Information of a split-plot plan.

With :math:`V = I + \eta Z Z'`, where :math:`Z` tells the loads and :math:`\eta`
is the variance of loads over that within a load,

.. math:: X'V^{-1}X = \sum_w X_w'X_w - c_w s_w s_w', \qquad
          c_w = \frac{\eta}{1 + n_w \eta},

with :math:`s_w` the sum of the rows of load w. At :math:`\eta = 0` it is
:math:`X'X`.

References
----------
.. [1] Goos, P. and Vandebroek, M. (2003). D-optimal split-plot designs with
   given numbers and sizes of whole plots. *Technometrics*, 45(3), 235-245.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def shrinkage(sizes: IntArray, eta: float) -> FloatArray:
    r"""Return :math:`c_w = \eta / (1 + n_w \eta)` of each load, shape (L,)."""
    return np.asarray(eta / (1.0 + sizes * eta), dtype=float)


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
    labels, inverse = np.unique(plot, return_inverse=True)
    sums = np.zeros((len(labels), rows.shape[1]))
    np.add.at(sums, inverse, rows)
    weights = shrinkage(np.bincount(inverse), eta)
    return np.asarray(rows.T @ rows - (sums.T * weights) @ sums, dtype=float)
