"""The plan: which tile is fired when, at what setting, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from firelab.series.folder import Provenance

SCHEMA = "firelab/plan/1"

PLAN_DTYPES: dict[str, str] = {
    "tile": "str",
    "session": "int64",
    "load": "int64",
    "order": "int64",
    "temperature_degC": "float64",
    "dwell_s": "float64",
    "mesh": "int64",
    "grain_um": "float64",
    "layers": "int64",
    "base": "str",
    "role": "str",
}
"""Columns of ``plan.csv`` in order, with their dtypes.

One row per tile and test firing; `order` counts the firings of the whole plan
from 1; `load` counts through all sessions; `temperature_degC` is one number
per load, to 0.01 degC.
"""

ROLES = ("test", "repeat", "control")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPreparation:
    """One preparation firing, shared by the tiles that need it.

    Attributes
    ----------
    step : int
        Place in the order of preparation, from 1.
    purpose : str
        ``counter-enamel``, ``base coat`` or ``test coat``.
    coat : str
        What is sifted, such as ``counter-enamel`` or the name of the base.
    face : {'front', 'back'}
        Face that receives it.
    temperature_degC, dwell_s : float
        Of this firing.
    tiles : tuple of str
        Codes of the tiles.
    """

    step: int
    purpose: str
    coat: str
    face: str
    temperature_degC: float
    dwell_s: float
    tiles: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A planned series.

    Attributes
    ----------
    tiles : DataFrame
        Columns and dtypes of `PLAN_DTYPES`; use `table` for a copy.
    kind : str
        Name of the plan kind.
    preparation : tuple of PlannedPreparation
        In firing order.
    figures : mapping
        Design figures: efficiencies, aliases, balance, power.
    powder_g : mapping of str to float
        Grams to weigh out by mesh, base and counter-enamel, loss included.
    time_h : mapping of str to float
        Hours by purpose, and ``total``.
    notes : tuple of str
        What the plan says in words: restrictions, what they cost, shortfalls.
    provenance : Provenance
        Hash of series.toml, seed, versions.
    """

    tiles: pd.DataFrame
    kind: str
    preparation: tuple[PlannedPreparation, ...]
    figures: Mapping[str, Any]
    powder_g: Mapping[str, float]
    time_h: Mapping[str, float]
    notes: tuple[str, ...]
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the tiles, in firing order."""
        return self.tiles.copy()

    @property
    def n_tiles(self) -> int:
        """Number of different tiles."""
        return int(self.tiles["tile"].nunique())
