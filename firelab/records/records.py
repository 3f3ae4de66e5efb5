"""What happened: every look at every tile, joined to what was planned."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance

FIRING_COLUMNS: tuple[str, ...] = (
    "tile",
    "look",
    "session",
    "load",
    "temperature_degC",
    "dwell_s",
    "stage",
    "transparency",
    "observer",
    "fired_at",
    "defects",
    "note",
)
"""Columns of ``firings.csv`` in order: one row per look, append-only."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Records:
    """The looks of one series, ready to be fitted.

    Attributes
    ----------
    series : FiringSeries
        Fixes the scales.
    plan : Plan
        What was planned for each tile.
    looks : DataFrame
        One row per look that stands (superseded ones left out), in the order
        of the log: the columns `FIRING_COLUMNS`, of which `temperature_degC`
        is the temperature read at the load or else the planned one, `dwell_s`
        is that firing's own, `stage` is an ordered Categorical over the
        series' grades and `transparency` a float (nan where not scored); and
        the planned ``mesh, grain_um, layers, base, role``, and
        ``total_dwell_s``, the sum of `dwell_s` over this and earlier looks at
        the same tile. Use `table` for a copy.
    provenance : Provenance
        Hashes of series.toml, plan.csv and firings.csv.
    """

    series: FiringSeries
    plan: Plan
    looks: pd.DataFrame
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the looks."""
        return self.looks.copy()

    @property
    def graded(self) -> pd.DataFrame:
        """The looks that carry a stage, as the stage fit takes them.

        `dwell_s` is here the total dwell of the tile up to that look, so that
        several looks at a tile add up. Control tiles of another colour (role
        ``control``) are left out.
        """
        frame = self.looks[self.looks["stage"].notna() & (self.looks["role"] != "control")]
        return frame.assign(dwell_s=frame["total_dwell_s"]).reset_index(drop=True)
