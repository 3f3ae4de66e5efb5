"""Two-level fractions of pyDOE3, always asked with explicit generators."""

from __future__ import annotations

import string
from itertools import combinations

import numpy as np

from firelab.plan.fractions import Fraction, letters
from firelab.plan.pydoe.checks import (
    IntArray,
    refuse_unless,
    refuse_unless_two_level,
    whole_numbers,
)


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


def check_fraction(design: IntArray, fraction: Fraction) -> None:
    """Refuse a design that is not the fraction asked for.

    Parameters
    ----------
    design : ndarray of int, shape (n, k)
        Of -1 and +1.
    fraction : Fraction

    Raises
    ------
    WrongDesign
        If size, levels, balance or a generator is wrong, or a run stands twice.
    """
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
    check_fraction(design, fraction)
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
