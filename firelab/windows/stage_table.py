"""A target's stage probability as a table per draw: looked up, not integrated anew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firelab.fits.stage_draws import StageDraws
from firelab.windows.target_span import inner_probability

FloatArray = NDArray[np.float64]

_CELLS = 96


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StageTable:
    """P(stage in target) of S draws over each one's range of latent grades.

    Attributes
    ----------
    low, step : ndarray, shape (S, 1)
        First latent value and distance between entries.
    entries : ndarray, shape (S, 97)
    """

    low: FloatArray
    step: FloatArray
    entries: FloatArray

    def at(self, eta: FloatArray) -> FloatArray:
        """Return the probability at latent values, shape (S, n), by interpolation.

        Values beyond the table are held at its ends; the error inside is below
        0.001 (checked in the tests).
        """
        place = np.clip((eta - self.low) / self.step, 0.0, _CELLS - 1e-6)
        cell = place.astype(np.int64)
        left = np.take_along_axis(self.entries, cell, axis=1)
        right = np.take_along_axis(self.entries, cell + 1, axis=1)
        return np.asarray(left + (place - cell) * (right - left))

    def some(self, which: NDArray[np.int64]) -> StageTable:
        """Return the table of some of the draws."""
        return StageTable(
            low=self.low[which], step=self.step[which], entries=self.entries[which]
        )


def tabulate(draws: StageDraws, first: int, last: int, eta: FloatArray) -> StageTable:
    """Tabulate a target, grades `first` to `last`, over the range of eta, (S, n)."""
    low, high = eta.min(axis=1, keepdims=True), eta.max(axis=1, keepdims=True)
    step = np.maximum(high - low, 1e-9) / _CELLS
    grid = low + step * np.arange(_CELLS + 1)
    return StageTable(
        low=low, step=step, entries=inner_probability(draws, first, last, grid)
    )
