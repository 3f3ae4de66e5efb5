"""What an optimal plan may choose from: whole-plot levels and sub-plot settings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

_ALL_AT_ONCE = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidates:
    """Model rows of every setting, by whole-plot level and sub-plot setting.

    Attributes
    ----------
    rows : ndarray, shape (W, S, p)
        Model columns, the intercept among them, of sub-plot setting s at
        whole-plot level w.
    allowed : ndarray of bool, shape (W, S)
        False where a rule forbids the setting.
    codes : ndarray of int, shape (S, k)
        Level numbers of the k sub-plot factors.
    use : ndarray, shape (S, R)
        What one tile of a sub-plot setting takes of each limited resource.
    limits : ndarray, shape (R,)
        How much there is of each.
    """

    rows: FloatArray
    allowed: BoolArray
    codes: IntArray
    use: FloatArray
    limits: FloatArray

    @property
    def n_terms(self) -> int:
        """Number of model columns, p."""
        return int(self.rows.shape[2])

    def neighbours(self) -> IntArray:
        """Return the settings that one exchange may reach, shape (S, K).

        Those that differ in one coordinate; all of them where they are few.
        Rows are filled up with the setting itself.
        """
        n = len(self.codes)
        if n <= _ALL_AT_ONCE:
            return np.tile(np.arange(n), (n, 1))
        differ = (self.codes[:, None, :] != self.codes[None, :, :]).sum(axis=2)
        near = [np.flatnonzero(row <= 1) for row in differ]
        width = max(len(one) for one in near)
        filled = [np.pad(one, (0, width - len(one)), mode="edge") for one in near]
        return np.array(filled, dtype=np.int64)

    def moments(self) -> FloatArray:
        """Return the mean of f f' over every allowed setting, shape (p, p)."""
        region = self.rows[self.allowed]
        return np.asarray(region.T @ region / len(region), dtype=float)


def without_limits(
    rows: FloatArray, codes: IntArray, allowed: BoolArray | None = None
) -> Candidates:
    """Return candidates that no resource limits.

    Parameters
    ----------
    rows : ndarray, shape (W, S, p)
    codes : ndarray of int, shape (S, k)
    allowed : ndarray of bool, shape (W, S), optional
        All where absent.
    """
    if allowed is None:
        allowed = np.ones(rows.shape[:2], dtype=bool)
    none = np.zeros((rows.shape[1], 0))
    return Candidates(rows=rows, allowed=allowed, codes=codes, use=none, limits=np.zeros(0))
