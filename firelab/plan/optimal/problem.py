"""One search for an optimal plan, stated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from firelab.plan.optimal.candidates import Candidates

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

Criterion = Literal["D", "I"]
FREE = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """What is sought: n rows in L loads, best by a criterion.

    Attributes
    ----------
    candidates : Candidates
        What may be chosen.
    plot : ndarray of int, shape (n,)
        Load of each row, 0 to L - 1.
    eta : float
        Variance of loads over that within a load.
    criterion : {'D', 'I'}
        Largest determinant, or smallest mean prediction variance.
    whole : ndarray of int, shape (L,)
        Whole-plot level of each load, `FREE` where it is sought.
    sub : ndarray of int, shape (n,)
        Sub-plot setting of each row, `FREE` where it is sought.
    standing : ndarray, shape (p, p)
        Information of what is fired or planned already.
    """

    candidates: Candidates
    plot: IntArray
    eta: float
    criterion: Criterion
    whole: IntArray
    sub: IntArray
    standing: FloatArray

    @property
    def sizes(self) -> IntArray:
        """Rows of each load, shape (L,)."""
        return np.bincount(self.plot, minlength=len(self.whole))

    @property
    def distinct_loads(self) -> bool:
        """Tell whether some load holds several rows, so that sums matter."""
        return bool(self.eta > 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """The best plan of a search.

    Attributes
    ----------
    whole : ndarray of int, shape (L,)
    sub : ndarray of int, shape (n,)
    value : float
        ln det for D, mean prediction variance for I.
    """

    whole: IntArray
    sub: IntArray
    value: float


def free_problem(
    candidates: Candidates,
    plot: IntArray,
    *,
    eta: float = 0.0,
    criterion: Criterion = "D",
) -> Problem:
    """Return a problem in which every load and row is sought.

    Parameters
    ----------
    candidates : Candidates
    plot : ndarray of int, shape (n,)
    eta : float, default 0
    criterion : {'D', 'I'}, default 'D'
    """
    p = candidates.n_terms
    return Problem(
        candidates=candidates,
        plot=plot,
        eta=eta,
        criterion=criterion,
        whole=np.full(int(plot.max()) + 1, FREE),
        sub=np.full(len(plot), FREE),
        standing=np.zeros((p, p)),
    )
