"""Two-level designs: regular fractions of minimum aberration, and Plackett-Burman.

A word is a set of factors as bits: bit i stands for factor i. The first
``k - p`` factors are basic; each of the p others is the product of a word of
basic factors. A fraction is asked of pyDOE3 with explicit generators, and verified.

References
----------
.. [1] Chen, J., Sun, D. X. and Wu, C. F. J. (1993). A catalogue of two-level and
   three-level fractional factorial designs with small runs. *International
   Statistical Review*, 61(1), 131-145.
"""

from __future__ import annotations

import string
from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np

from firelab.arrays import IntArray
from firelab.errors import FirelabError
from firelab.plan.pydoe import (
    refuse_unless,
    refuse_unless_two_level,
    taken_or_mended,
    whole_numbers,
)

MOST_FACTORS = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Fraction:
    """A regular fraction 2^(k - p).

    Attributes
    ----------
    k : int
        Number of factors.
    generators : tuple of int
        For each added factor, its word of basic factors.
    """

    k: int
    generators: tuple[int, ...]

    @property
    def n_basic(self) -> int:
        """Number of basic factors, k - p."""
        return self.k - len(self.generators)

    @property
    def n_runs(self) -> int:
        """Number of runs."""
        return int(2**self.n_basic)

    @property
    def words(self) -> tuple[int, ...]:
        """The defining relation without the identity, shortest word first."""
        given = [
            word | 1 << (self.n_basic + place) for place, word in enumerate(self.generators)
        ]
        group = {0}
        for word in given:
            group |= {word ^ other for other in group}
        return tuple(sorted(group - {0}, key=lambda word: (word.bit_count(), word)))

    @property
    def pattern(self) -> tuple[int, ...]:
        """Word-length pattern (A3, A4, ..., Ak)."""
        lengths = [word.bit_count() for word in self.words]
        return tuple(lengths.count(length) for length in range(3, self.k + 1))

    @property
    def resolution(self) -> int | None:
        """Length of the shortest word; None for a full factorial."""
        return self.words[0].bit_count() if self.generators else None

    def design(self) -> IntArray:
        """Return the runs as -1 and +1, shape (2^(k-p), k)."""
        runs = np.arange(self.n_runs)
        basic = [2 * ((runs >> place) & 1) - 1 for place in range(self.n_basic)]
        added = [
            np.prod([basic[place] for place in letters(word)], axis=0)
            for word in self.generators
        ]
        return np.column_stack([*basic, *added]).astype(np.int64)

    def aliases(self, word: int, *, most: int = 2) -> tuple[int, ...]:
        """Return the other words of at most so many factors that `word` hides."""
        others = {word ^ relation for relation in self.words}
        kept = [one for one in others if 0 < one.bit_count() <= most]
        return tuple(sorted(kept, key=lambda one: (one.bit_count(), one)))


def letters(word: int) -> tuple[int, ...]:
    """Return the factors of a word.

    Examples
    --------
    >>> letters(0b1011)
    (0, 1, 3)
    """
    return tuple(place for place in range(word.bit_length()) if word >> place & 1)


@cache
def minimum_aberration(k: int, p: int) -> Fraction:
    """Return a fraction of 2^(k - p) runs with the smallest word-length pattern.

    Every choice of generators is looked at.

    Parameters
    ----------
    k, p : int
        Factors, and how often the runs are halved.

    Raises
    ------
    FirelabError
        If there is no such fraction, or k is above `MOST_FACTORS`.

    Examples
    --------
    >>> minimum_aberration(7, 3).pattern, minimum_aberration(7, 3).resolution
    ((0, 7, 0, 0, 0), 4)
    """
    n_basic = k - p
    choices = [word for word in range(2**n_basic) if word.bit_count() >= 2]
    if k > MOST_FACTORS or p < 0 or n_basic < 1 or p > len(choices):
        raise FirelabError(
            f"there is no fraction of {k} factors in 2^{n_basic} runs",
            hint=f"at most {MOST_FACTORS} factors, each with its own column",
        )
    candidates = (Fraction(k=k, generators=chosen) for chosen in combinations(choices, p))
    return min(candidates, key=lambda fraction: fraction.pattern)


def smallest_of_resolution(k: int, resolution: int) -> Fraction:
    """Return the smallest minimum-aberration fraction of at least a resolution.

    Parameters
    ----------
    k : int
        Number of factors.
    resolution : int
        Such as 4 or 5.

    Returns
    -------
    Fraction
        The full factorial where no fraction reaches it.

    Examples
    --------
    >>> smallest_of_resolution(7, 4).n_runs, smallest_of_resolution(7, 5).n_runs
    (16, 64)
    """
    for n_basic in range(1, k):
        if 2**n_basic - 1 - n_basic < k - n_basic:
            continue
        fraction = minimum_aberration(k, k - n_basic)
        if (fraction.resolution or 0) >= resolution:
            return fraction
    return Fraction(k=k, generators=())


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


_FIRST_ROWS: dict[int, str] = {
    8: "+++-+--",
    12: "++-+++---+-",
    16: "++++-+-++--+---",
    20: "++--++++-+-+----++-",
    24: "+++++-+-++--++--+-+----",
}
"""First rows of the cyclic designs (Plackett and Burman 1946, Biometrika 33, 305-325)."""

PLACKETT_BURMAN_SIZES = tuple(_FIRST_ROWS)


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
