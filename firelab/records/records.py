"""What happened: every look at every tile, joined to what was planned."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from firelab.plan.plan import Plan
from firelab.records.tile_heat import counted_dwell, earlier_firings
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
    def counted(self) -> pd.DataFrame:
        """The looks with the heat of their tiles counted.

        `dwell_s` is here the dwell of the tile up to that look, so that several
        looks at a tile add up: what its firings count at the look's temperature
        (see `counted_dwell`, with the doubling that the series expects). Three
        columns are added: ``own_dwell_s``, that firing's own, ``before``, the
        heat of the tile before it (see `earlier_firings`), and ``last_look``,
        the tile's last, graded or not.
        """
        looks = self.looks
        return looks.assign(
            own_dwell_s=looks["dwell_s"],
            dwell_s=counted_dwell(looks, self.series),
            last_look=looks.groupby("tile")["look"].transform("max"),
            before=pd.Series(earlier_firings(looks, self.series), looks.index, "object"),
        )

    @property
    def graded(self) -> pd.DataFrame:
        """The looks that carry a stage, as the stage fit takes them.

        Those of `counted`, without the control tiles of another colour (role
        ``control``).
        """
        looks = self.counted
        kept = looks["stage"].notna() & (looks["role"] != "control")
        return looks[kept].reset_index(drop=True)
