"""Scores with the columns that are to explain them, and which can be told."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

INTERCEPT = "(intercept)"


@dataclass(frozen=True, kw_only=True, eq=False)
class ScoreColumns:
    """Scores of n tiles and the p columns of some terms.

    Attributes
    ----------
    score : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        Coded columns, without an intercept.
    load : ndarray of int, shape (n,)
        Numbered from 0.
    columns, owners : tuple of str
        Name of each column, and the term it belongs to; p of them.
    """

    score: FloatArray
    X: FloatArray
    load: NDArray[np.int64]
    columns: tuple[str, ...]
    owners: tuple[str, ...]

    @property
    def n_loads(self) -> int:
        """Number of loads, G."""
        return int(self.load.max()) + 1 if self.load.size else 0

    @cached_property
    def kept(self) -> tuple[int, ...]:
        """Places of the columns that tiles can tell from an intercept and those before."""
        ones = np.ones((len(self.score), 1))
        told = told_columns(np.hstack([ones, self.X]))
        return tuple(place - 1 for place in told if place)

    @property
    def aliased(self) -> tuple[str, ...]:
        """Names of the columns that cannot be told from the ones before them."""
        return tuple(n for i, n in enumerate(self.columns) if i not in self.kept)

    @property
    def labels(self) -> list[str]:
        """Names of the columns kept."""
        return [self.columns[place] for place in self.kept]

    @property
    def told(self) -> FloatArray:
        """The columns kept, shape (n, number kept)."""
        return self.X[:, list(self.kept)]

    def whole_terms(self, *, first: int = 0) -> dict[str, list[int]]:
        """Return the places among the columns kept of each term kept whole.

        Parameters
        ----------
        first : int, default 0
            Place of the first column kept, such as 1 behind an intercept.
        """
        terms: dict[str, list[int]] = {}
        for term in dict.fromkeys(self.owners):
            own = [place for place, owner in enumerate(self.owners) if owner == term]
            if all(place in self.kept for place in own):
                terms[term] = [first + self.kept.index(place) for place in own]
        return terms


def told_columns(X: FloatArray) -> list[int]:
    """Return the columns that add something to those before them.

    Parameters
    ----------
    X : ndarray, shape (n, p)

    Examples
    --------
    >>> told_columns(np.array([[1.0, 1, 0], [1, 1, 1], [1, 1, 2]]))
    [0, 2]
    """
    kept: list[int] = []
    basis = np.empty((len(X), 0))
    for place, column in enumerate(X.T):
        length = np.linalg.norm(column)
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if length > 0 and size > 1e-8 * length:
            kept.append(place)
            basis = np.column_stack([basis, rest / size])
    return kept
