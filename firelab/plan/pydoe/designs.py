"""Factorials, two-level fractions, hypercubes, Plackett-Burman and L18 of pyDOE3, verified.

Fractions are always asked with explicit generators; what fails is mended or refused.
"""

from __future__ import annotations

import string
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from firelab.errors import FirelabError
from firelab.plan.pydoe.checks import (
    IntArray,
    is_latin,
    is_orthogonal_array,
    refuse_unless,
    refuse_unless_two_level,
    taken_or_mended,
    whole_numbers,
)
from firelab.plan.pydoe.fractions import Fraction, letters


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


def generator_text(fraction: Fraction) -> str:
    """Write a fraction the way the library takes it.

    Examples
    --------
    >>> generator_text(Fraction(k=4, generators=(0b111,)))
    'a b c abc'
    """
    basic = string.ascii_lowercase[: fraction.n_basic]
    added = ["".join(basic[place] for place in letters(g)) for g in fraction.generators]
    return " ".join([*basic, *added])


def _check_fraction(design: IntArray, fraction: Fraction) -> None:
    """Refuse a design that is not the fraction asked for."""
    asked = f"2^({fraction.k}-{len(fraction.generators)}) {generator_text(fraction)}"
    refuse_unless_two_level(design, (fraction.n_runs, fraction.k), asked)
    for place, word in enumerate(fraction.generators):
        product = design[:, list(letters(word))].prod(axis=1)
        right = bool((design[:, fraction.n_basic + place] == product).all())
        refuse_unless(right, asked, f"breaks its generator {place + 1}")
    distinct = len(np.unique(design, axis=0))
    refuse_unless(distinct == len(design), asked, "has a run twice")


def regular_fraction(fraction: Fraction) -> IntArray:
    """Return the runs of a fraction as -1 and +1, shape (2^(k-p), k).

    Raises
    ------
    WrongDesign
        If what came back is not that fraction.
    """
    from pyDOE3 import fracfact

    text = generator_text(fraction)
    design = whole_numbers(fracfact(text), text)
    _check_fraction(design, fraction)
    return design


def strength_of(design: IntArray) -> int:
    """Return the largest number of columns any of which form a full factorial.

    One less than the resolution; for a design of -1 and +1.
    """
    k = int(design.shape[1])
    for size in range(1, k + 1):
        for columns in combinations(range(k), size):
            if design[:, list(columns)].prod(axis=1).sum() != 0:
                return size - 1
    return k


_FIRST_ROWS: dict[int, str] = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}
"""First rows of the cyclic designs (Plackett and Burman 1946, Biometrika 33, 305-325)."""

PLACKETT_BURMAN_SIZES = tuple(_FIRST_ROWS)
L18_LEVELS = (2, 3, 3, 3, 3, 3, 3, 3)


def _cyclic(n_runs: int) -> IntArray:
    first = np.array([1 if sign == "+" else -1 for sign in _FIRST_ROWS[n_runs]])
    rows = [np.roll(first, turn) for turn in range(n_runs - 1)]
    return np.array([*rows, -np.ones(n_runs - 1, dtype=np.int64)], dtype=np.int64)


def plackett_burman(k: int, n_runs: int) -> tuple[IntArray, str]:
    """Return a Plackett-Burman design for k factors.

    Parameters
    ----------
    k : int
        Number of factors, below `n_runs`.
    n_runs : int
        8, 12, 16, 20 or 24.

    Returns
    -------
    design : ndarray of int, shape (n, k)
        Of -1 and +1.
    fault : str
        What was wrong with the library's design, where ours took its place.

    Raises
    ------
    FirelabError
        If there is no such design.
    """
    if n_runs not in _FIRST_ROWS or not 1 <= k < n_runs:
        raise FirelabError(
            f"there is no Plackett-Burman plan of {k} factors in {n_runs} runs",
            hint=f"{', '.join(str(n) for n in PLACKETT_BURMAN_SIZES)} runs, "
            "and fewer factors than runs",
        )
    asked = f"Plackett-Burman design of {k} factors in {n_runs} runs"

    def ask() -> object:
        from pyDOE3 import pbdesign

        return np.asarray(pbdesign(n_runs - 1))[:, :k]

    return taken_or_mended(
        ask,
        lambda design: refuse_unless_two_level(design, (n_runs, k), asked),
        lambda: _cyclic(n_runs)[:, :k],
    )


def l18() -> IntArray:
    """Return the L18 array 2^1 3^7 as level numbers from 0, shape (18, 8).

    The library has it with the first two columns as one of six levels.

    Raises
    ------
    WrongDesign
        If it is not an orthogonal array.
    """
    from pyDOE3 import get_orthogonal_array

    asked = "L18(2^1 3^7)"
    joined = whole_numbers(get_orthogonal_array("L18(6^1 3^6)"), asked)
    refuse_unless(joined.shape == (18, 7), asked, f"has shape {joined.shape}")
    low = joined - joined.min(axis=0)
    design = np.column_stack([low[:, 0] // 3, low[:, 0] % 3, low[:, 1:]])
    inside = bool((design.max(axis=0) == np.array(L18_LEVELS) - 1).all())
    refuse_unless(inside, asked, "has wrong levels")
    refuse_unless(is_orthogonal_array(design, L18_LEVELS), asked, "is not orthogonal")
    return design
