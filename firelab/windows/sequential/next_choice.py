"""What to fire next, or why to stop, as a value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from firelab.craft.trade_words import BARE, Shown, base_words, layers_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
)
from firelab.series.folder import Provenance

SCHEMA = "firelab/next/1"
NEXT_COLUMNS = (
    "load",
    "temperature_degC",
    "dwell_s",
    "mesh",
    "grain_um",
    "layers",
    "base",
    "tile",
)
"""Columns of ``next.csv``: one row per tile, `load` counted from 1.

`tile` is empty for a new tile; else it is the code of a tile that is fired on,
and `dwell_s` is that firing's own.
"""


_STOP_HEADS = {
    "contradiction": "Look at the records first",
    "spent": "Out of budget",
    "nothing-allowed": "Nothing can be fired",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class NextTiles(Shown):
    """What to fire next, or why to stop.

    Attributes
    ----------
    tiles : DataFrame
        Columns `NEXT_COLUMNS`; empty where firing should stop. Use `table`.
    stop : str or None
        Why to stop, in words; None where a load is worth firing.
    stop_code : {'assured', 'contradiction', 'spent', 'nothing-allowed', 'no-gain'} or None
    edges : DataFrame
        One row per edge: ``mesh, layers, base, dwell_s, side, width_degC``
        now, and ``expected_degC`` after the tiles.
    hours : float
        Kiln hours of the tiles, preparation included.
    level : float
        Of the intervals.
    provenance : Provenance
    reads : {'degF', 'degC'}
        Unit of the kiln's display.
    """

    tiles: pd.DataFrame
    stop: str | None
    stop_code: str | None
    edges: pd.DataFrame
    hours: float
    level: float
    provenance: Provenance
    reads: str = "degF"

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the tiles."""
        return self.tiles.copy()

    def summary(self) -> str:
        """Return what to fire next as lines for a terminal."""
        if self.stop:
            head = _STOP_HEADS.get(self.stop_code or "", "You can stop")
            return f"{head}: {self.stop}."
        lines = []
        for load, rows in self.tiles.groupby("load"):
            degC = float(rows["temperature_degC"].iloc[0])
            tiles = "; ".join(_tile_words(row) for row in rows.to_dict("records"))
            lines.append(
                f"next load {load}: {format_temperature(degC, self.reads)}, {tiles}"
            )
        now, then = self.edges["width_degC"].mean(), self.edges["expected_degC"].mean()
        lines.append(
            f"The edges are known to {format_temperature_difference(now, self.reads)} now; "
            f"expect {format_temperature_difference(then, self.reads)} after "
            f"{self.hours:.1f} more kiln hours."
        )
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the choice as plain values."""
        return {
            "schema": SCHEMA,
            "tiles": self.tiles.to_dict("records"),
            "stop": self.stop,
            "stop_code": self.stop_code,
            "edges": self.edges.to_dict("records"),
            "hours": self.hours,
            "level": self.level,
            "provenance": self.provenance.to_dict(),
        }


def _tile_words(row: dict[Any, Any]) -> str:
    if row["tile"]:
        return f"tile {row['tile']} fired on for {format_duration(row['dwell_s'])}"
    coats = layers_words(int(row["layers"]))
    under = "" if row["base"] == BARE else f" {base_words(row['base'])}"
    return f"{format_duration(row['dwell_s'])} {row['mesh']} mesh, {coats}{under}"
