"""Terms that some looks cannot tell apart, found before a fit and named."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from firelab.errors import RecordsInsufficient

FloatArray = NDArray[np.float64]

_TOLERANCE = 1e-9


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


def name_aliased(columns: FloatArray, names: Sequence[str]) -> tuple[str, ...]:
    """Return the names of columns that the intercept and earlier columns make up.

    Parameters
    ----------
    columns : ndarray, shape (n, p)
    names : sequence of str
        One per column.

    Returns
    -------
    tuple of str
        Empty where all columns can be told apart.

    Examples
    --------
    >>> name_aliased(np.array([[1.0, 2.0], [2.0, 4.0], [4.0, 8.0]]), ["a", "b"])
    ('b',)
    """
    if not columns.shape[1]:
        return ()
    centre = columns.mean(axis=0)
    spread = columns.std(axis=0)
    size = np.maximum(np.abs(columns).max(axis=0), 1e-300)
    flat = spread <= _TOLERANCE * size
    safe = np.where(flat, 1.0, spread)
    gram = _correlation(columns, centre, safe)
    kept: list[int] = []
    aliased = []
    for place, name in enumerate(names):
        if flat[place] or _is_made_up(gram, kept, place):
            aliased.append(name)
        else:
            kept.append(place)
    return tuple(aliased)


def _correlation(columns: FloatArray, centre: FloatArray, spread: FloatArray) -> FloatArray:
    gram = np.zeros((columns.shape[1], columns.shape[1]))
    for start in range(0, len(columns), 1 << 15):
        part = (columns[start : start + (1 << 15)] - centre) / spread
        gram += part.T @ part
    return np.asarray(gram / len(columns))


def _is_made_up(gram: FloatArray, kept: list[int], place: int) -> bool:
    if not kept:
        return False
    inside = gram[np.ix_(kept, kept)]
    with_kept = gram[kept, place]
    left = gram[place, place] - with_kept @ np.linalg.solve(inside, with_kept)
    return bool(left <= _TOLERANCE)
