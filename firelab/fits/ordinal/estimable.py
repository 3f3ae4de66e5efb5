"""Terms that some looks cannot tell apart, found before a fit and named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient

FloatArray = NDArray[np.float64]

_TOLERANCE = 1e-9
_PART = 1e-6


class NotEstimable(RecordsInsufficient):
    """The looks cannot separate the terms asked for.

    Parameters
    ----------
    aliased : iterable of str
        Terms that are a combination of the others, or never vary.
    where : str, default ''
        The part of the series.

    Attributes
    ----------
    aliased : tuple of str
    """

    def __init__(self, aliased: Iterable[str], where: str = "") -> None:
        self.aliased = tuple(aliased)
        super().__init__(
            f"these looks cannot tell {' or '.join(self.aliased)} from the other terms",
            where,
            "leave it out, or fire tiles in which it changes while the others stay",
        )


def find_aliases(columns: FloatArray, names: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """Return each aliased column with the earlier columns that make it up.

    The intercept makes up a column that never varies.

    Parameters
    ----------
    columns : ndarray, shape (n, p)
    names : sequence of str
        One per column.

    Returns
    -------
    dict
        Empty where all columns can be told apart; without partners for a column
        that never varies.

    Examples
    --------
    >>> find_aliases(np.array([[1.0, 2.0, 5], [2, 4, 5], [4, 8, 5]]), ["a", "b", "c"])
    {'b': ('a',), 'c': ()}
    """
    if not columns.shape[1]:
        return {}
    centre = columns.mean(axis=0)
    spread = columns.std(axis=0)
    size = np.maximum(np.abs(columns).max(axis=0), 1e-300)
    flat = spread <= _TOLERANCE * size
    gram = _correlation(columns, centre, np.where(flat, 1.0, spread))
    kept: list[int] = []
    aliased: dict[str, tuple[str, ...]] = {}
    for place, name in enumerate(names):
        weights = np.linalg.solve(gram[np.ix_(kept, kept)], gram[kept, place])
        left = gram[place, place] - gram[kept, place] @ weights
        if flat[place]:
            aliased[name] = ()
        elif left <= _TOLERANCE:
            partners = zip(kept, weights, strict=True)
            aliased[name] = tuple(names[k] for k, w in partners if abs(w) > _PART)
        else:
            kept.append(place)
    return aliased


def estimable_places(columns: FloatArray) -> list[int]:
    """Return the places of the columns that are no combination of earlier ones.

    Nor of an intercept; of no rows, none is estimable.

    Parameters
    ----------
    columns : ndarray, shape (n, p)

    Examples
    --------
    >>> estimable_places(np.array([[1.0, 2.0, 5], [2, 4, 5], [4, 8, 5]]))
    [0]
    """
    names = [str(place) for place in range(columns.shape[1])]
    aliased = find_aliases(columns, names) if len(columns) else names
    return [int(name) for name in names if name not in aliased]


def _correlation(columns: FloatArray, centre: FloatArray, spread: FloatArray) -> FloatArray:
    gram = np.zeros((columns.shape[1], columns.shape[1]))
    for start in range(0, len(columns), 1 << 15):
        part = (columns[start : start + (1 << 15)] - centre) / spread
        gram += part.T @ part
    return np.asarray(gram / len(columns))
