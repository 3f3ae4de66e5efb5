r"""Heat work of an invented tile: how far fusing has come, from the tile's own heat.

The tile is one lump of metal, heated on both faces by radiation alone. Its
progress is :math:`\ln \int \exp\{-(E/R)(1/T(t) - 1/T_0)\}\,dt` over the dwell,
:math:`T` its own absolute temperature.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firelab.arrays import FloatArray
from firelab.craft.heating import GAS_CONSTANT, STEFAN_BOLTZMANN, heat_capacity

_ROOM_K = 293.15
_REFERENCE_K = 1048.15
"""20 and 775 degC; the second is a unit of progress and changes no grade."""
_STEPS = 120
"""Of a firing, by Simpson's rule (chosen here, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedHeat:
    """A tile's heating and the speed of fusing.

    Attributes
    ----------
    activation_kJ_mol : float
        Activation energy of fusing.
    metal : str
        As in `firelab.craft.materials`.
    thickness_mm : float
    emissivity : float
    """

    activation_kJ_mol: float = 300.0
    metal: str = "copper"
    thickness_mm: float = 0.8
    emissivity: float = 0.8

    @property
    def capacity_J_m2K(self) -> float:
        """Heat held per K and square metre of tile, J."""
        return heat_capacity(self.metal, self.thickness_mm)

    def progress(self, temperature_degC: ArrayLike, dwell_s: ArrayLike) -> FloatArray:
        """Return ln of the heat work of n firings, shape (n,).

        Parameters
        ----------
        temperature_degC : array_like, shape (n,)
            Of the kiln, constant while the tile is in it.
        dwell_s : array_like, shape (n,)
            From cold to pulled.
        """
        kiln = np.asarray(temperature_degC, dtype=float) + 273.15
        step = np.asarray(dwell_s, dtype=float) / _STEPS
        tile = np.full(np.broadcast(kiln, step).shape, _ROOM_K)
        work = np.zeros_like(tile)
        for _ in range(_STEPS):
            half = tile + 0.5 * step * self._warming(kiln, tile)
            # Simpson over the step, the middle by the half step.
            after = tile + step * self._warming(kiln, half)
            work += (
                step
                / 6.0
                * (self._speed(tile) + 4.0 * self._speed(half) + self._speed(after))
            )
            tile = after
        return np.asarray(np.log(work))

    def _warming(self, kiln: FloatArray, tile: FloatArray) -> FloatArray:
        flow = 2.0 * self.emissivity * STEFAN_BOLTZMANN * (kiln**4 - tile**4)
        return np.asarray(flow / self.capacity_J_m2K)

    def _speed(self, tile: FloatArray) -> FloatArray:
        ratio = self.activation_kJ_mol * 1e3 / GAS_CONSTANT
        return np.asarray(np.exp(-ratio * (1.0 / tile - 1.0 / _REFERENCE_K)))
