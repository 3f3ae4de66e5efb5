r"""The bending of a tile whose faces carry unequal glass.

Metal and fired enamel cool together; the layers are bonded and thin, so strain
is linear through the tile: :math:`\epsilon = \epsilon_0 + \kappa z`. Force and
moment vanish,

.. math:: \sum_i \int E_i (\epsilon_0 + \kappa z - \alpha_i \Delta T)\,dz = 0, \qquad
          \sum_i \int E_i (\epsilon_0 + \kappa z - \alpha_i \Delta T)\,z\,dz = 0.

For two layers this is Timoshenko's formula.

References
----------
.. [1] Timoshenko, S. (1925). Analysis of bi-metal thermostats. *J. Opt. Soc.
   Am.*, 11(3), 233-255.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.craft.materials import METALS
from firelab.series.firing_series import FiringSeries


@dataclass(frozen=True, slots=True, kw_only=True)
class Layer:
    """One layer of a tile: thickness (mm), modulus (GPa), expansion (1/K)."""

    thickness_mm: float
    modulus_GPa: float
    expansion_per_K: float


def curvature_per_m(layers: Sequence[Layer], change_K: float) -> float:
    """Return the curvature of bonded layers after a change of temperature, 1/m.

    Parameters
    ----------
    layers : sequence of Layer
        From the back to the front.
    change_K : float
        Negative where the tile cools.

    Examples
    --------
    >>> copper, enamel = Layer(thickness_mm=0.8, modulus_GPa=120, expansion_per_K=17e-6), \
            Layer(thickness_mm=0.2, modulus_GPa=70, expansion_per_K=11e-6)
    >>> round(abs(curvature_per_m([copper, enamel], -400)), 4)
    1.7834
    """
    edges = np.concatenate([[0.0], np.cumsum([one.thickness_mm for one in layers])]) * 1e-3
    modulus = np.array([one.modulus_GPa for one in layers])
    strain = np.array([one.expansion_per_K for one in layers]) * change_K
    length, area, inertia = (np.diff(edges**n) / n for n in (1, 2, 3))
    stiffness = np.array(
        [
            [modulus @ length, modulus @ area],
            [modulus @ area, modulus @ inertia],
        ]
    )
    load = np.array([(modulus * strain) @ length, (modulus * strain) @ area])
    return float(np.linalg.solve(stiffness, load)[1])


def sag_mm(curvature: float, span_mm: float) -> float:
    """Return the sag of a curved tile over a span, mm.

    Examples
    --------
    >>> round(sag_mm(1.7834, 50.0), 3)
    0.557
    """
    return abs(curvature) * span_mm**2 / 8.0 * 1e-3


def tile_sag_mm(series: FiringSeries, front_coats: int, back_coats: int) -> float:
    """Return the predicted sag of a fired tile over its longer side, mm.

    Parameters
    ----------
    series : FiringSeries
        Supplies tile, coat and the constants of glass and metal.
    front_coats, back_coats : int
        Coats on each face, base included.
    """
    glass, metal = series.glass, METALS[series.blank.metal]
    # g/m2 over kg/m3 is micrometres.
    coat_mm = series.coat.weight_g_m2 / glass.density_kg_m3

    def enamel(coats: int) -> list[Layer]:
        if not coats:
            return []
        return [
            Layer(
                thickness_mm=coats * coat_mm,
                modulus_GPa=glass.modulus_GPa,
                expansion_per_K=glass.expansion_per_K,
            )
        ]

    body = Layer(
        thickness_mm=series.blank.thickness,
        modulus_GPa=glass.metal_modulus_GPa or metal.modulus_GPa,
        expansion_per_K=glass.metal_expansion_per_K or metal.expansion_per_K,
    )
    layers = [*enamel(back_coats), body, *enamel(front_coats)]
    span = max(series.blank.width, series.blank.height)
    return sag_mm(curvature_per_m(layers, -glass.cooling_K), span)


def flagged_sags(
    series: FiringSeries, tiles: pd.DataFrame, front: pd.Series[int], back: pd.Series[int]
) -> dict[str, float]:
    """Return the tiles that would bend more than the limit, with their sag in mm."""
    sags = {}
    for code, f, b in zip(tiles["tile"], front, back, strict=True):
        sag = tile_sag_mm(series, int(f), int(b))
        if sag > series.glass.sag_limit:
            sags[str(code)] = round(sag, 3)
    return sags
