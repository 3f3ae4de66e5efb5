"""Full factorials and random Latin hypercubes of pyDOE3, verified."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from firelab.plan.pydoe.checks import IntArray, is_latin, refuse_unless, whole_numbers


def full_factorial(n_levels: Sequence[int]) -> IntArray:
    """Return every combination of level numbers.

    Parameters
    ----------
    n_levels : sequence of int, length k
        Number of levels of each factor, each at least 1.

    Returns
    -------
    ndarray of int, shape (product of n_levels, k)
        Level numbers from 0; each combination once.

    Raises
    ------
    WrongDesign
        If the shape is wrong or a combination is missing.

    Examples
    --------
    >>> full_factorial([2, 3]).shape
    (6, 2)
    """
    from pyDOE3 import fullfact

    asked = f"full factorial of {' x '.join(str(n) for n in n_levels)} levels"
    levels = whole_numbers(fullfact(list(n_levels)), asked)
    size = int(np.prod(n_levels))
    refuse_unless(levels.shape == (size, len(n_levels)), asked, f"has shape {levels.shape}")
    inside = (levels >= 0).all() and (levels < np.array(n_levels)).all()
    refuse_unless(bool(inside), asked, "has levels that were not asked for")
    distinct = len(np.unique(levels, axis=0))
    refuse_unless(distinct == size, asked, f"has {distinct} of {size} combinations")
    return levels


def latin_hypercube(n: int, k: int, *, rng: np.random.Generator) -> IntArray:
    """Return a random Latin hypercube as ranks.

    Parameters
    ----------
    n, k : int
        Tiles and factors.
    rng : numpy.random.Generator
        Source of the random choices.

    Returns
    -------
    ndarray of int, shape (n, k)
        Each column holds each of 0 to n - 1 once.

    Raises
    ------
    WrongDesign
        If a column is not Latin.
    """
    from pyDOE3 import lhs

    asked = f"Latin hypercube of {n} tiles in {k} factors"
    unit = np.asarray(lhs(k, samples=n, seed=rng), dtype=float)
    refuse_unless(unit.shape == (n, k), asked, f"has shape {unit.shape}")
    inside = bool(((unit >= 0) & (unit < 1)).all())
    refuse_unless(inside, asked, "leaves the unit cube")
    ranks: IntArray = np.floor(unit * n).astype(np.int64)
    refuse_unless(is_latin(ranks), asked, "is not Latin")
    return ranks
