"""What to fire next, what it adds and what to choose now, or why to stop, as values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from firelab.arrays import FloatArray
from firelab.craft.materials import grain_um
from firelab.craft.trade_words import (
    BARE,
    Shown,
    base_words,
    count_words,
    layers_words,
    note_lines,
    setting_words,
)
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_difference,
)
from firelab.series.folder import Provenance
from firelab.windows.answer_words import of_ten

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


def _stop_words(stop: str, code: str | None) -> str:
    return f"{_STOP_HEADS.get(code or '', 'You can stop')}: {stop}."


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
    fewer : str or None
        Why there are fewer loads than were asked for.
    """

    tiles: pd.DataFrame
    stop: str | None
    stop_code: str | None
    edges: pd.DataFrame
    hours: float
    level: float
    provenance: Provenance
    reads: str = "degF"
    fewer: str | None = None

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the tiles."""
        return self.tiles.copy()

    def summary(self) -> str:
        """Return what to fire next as lines for a terminal."""
        if self.stop:
            return _stop_words(self.stop, self.stop_code)
        lines = []
        for load, rows in self.tiles.groupby("load"):
            degC = float(rows["temperature_degC"].iloc[0])
            tiles = "; ".join(_tile_words(rows.to_dict("records")))
            lines.append(
                f"next load {load}: {format_temperature(degC, self.reads)}, {tiles}"
            )
        if self.fewer:
            lines.append(f"No further load: {self.fewer}.")
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
            "fewer": self.fewer,
            "edges": self.edges.to_dict("records"),
            "hours": self.hours,
            "level": self.level,
            "provenance": self.provenance.to_dict(),
        }


def _tile_words(rows: Sequence[Mapping[Any, Any]]) -> list[str]:
    """Write the tiles of a load; new ones that are alike are counted."""
    new: Counter[str] = Counter()
    on: dict[str, list[str]] = {}
    for row in rows:
        held = format_duration(row["dwell_s"])
        if row["tile"]:
            on.setdefault(held, []).append(str(row["tile"]))
            continue
        coats = layers_words(int(row["layers"]))
        under = "" if row["base"] == BARE else f" {base_words(row['base'])}"
        new[f"of {row['mesh']} mesh, {coats}{under}, for {held}"] += 1
    words = [f"{count_words(n, 'new tile')} {how}" for how, n in new.items()]
    for held, tiles in on.items():
        several = "s" * (len(tiles) > 1)
        words.append(f"tile{several} {', '.join(tiles)} fired on for {held}")
    return words


FIRING_SCHEMA = "firelab/next-firing/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Firing:
    """One setting of kiln and tile.

    Attributes
    ----------
    temperature_degC, dwell_s : float
        That the kiln can be set to.
    mesh, layers : int
    base : str
    """

    temperature_degC: float
    dwell_s: float
    mesh: int
    layers: int
    base: str

    def words(self, reads: str) -> str:
        """Write the firing, the unit of the kiln's display first."""
        at = format_temperature(self.temperature_degC, reads)
        return f"{at} for {format_duration(self.dwell_s)}, {setting_words(asdict(self))}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeliefCurve:
    """What is believed of every temperature, at the dwell and setting to choose now.

    Attributes
    ----------
    dwell_s : float
    setting : dict
        ``mesh, layers, base``.
    temperature_degC : ndarray, shape (m,)
        Over the range of the series, rising.
    grades : tuple of str
        J of them, in order.
    probability : ndarray, shape (J, m)
        Of each grade of a tile in a future session, load and place.
    tiles : DataFrame
        The looks so far: ``tile, temperature_degC, dwell_s, grade, here``; `here` tells
        whether it has the dwell and setting of the curve.
    """

    dwell_s: float
    setting: dict[str, Any]
    temperature_degC: FloatArray
    grades: tuple[str, ...]
    probability: FloatArray
    tiles: pd.DataFrame

    def to_dict(self) -> dict[str, Any]:
        """Return the curve as plain values, probabilities to four decimals."""
        return {
            "dwell_s": self.dwell_s,
            "setting": self.setting,
            "temperature_degC": [round(float(T), 2) for T in self.temperature_degC],
            "probability": {
                grade: [round(float(p), 4) for p in row]
                for grade, row in zip(self.grades, self.probability, strict=True)
            },
            "tiles": self.tiles.to_dict("records"),
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class NextFiring(Shown):
    """What to fire next and what it adds, and what to choose if nothing more is fired.

    Attributes
    ----------
    firing : Firing or None
        Of the next tile; None where none can be fired.
    now : Firing or None
        The firing with the highest odds of the target; None where rules forbid all.
    odds : float
        Of the target at `now`, for a tile of a future session, load and place.
    odds_after : float
        What the best odds are expected to be after one more tile at `firing`.
    more_tiles : int
        Tiles whose gain together decides whether to stop.
    odds_after_more : float
        What the best odds are expected to be after so many more.
    odds_known : float
        What they are expected to be if all there is to know were known.
    least_gain : float
        What those tiles must add to be worth firing, as the series states.
    stop : str or None
        Why to stop, in words; None where a tile is worth firing.
    stop_code : {'no-gain', 'spent', 'nothing-allowed'} or None
    belief : BeliefCurve or None
    target : tuple of str
    n_looks : int
        Graded looks so far.
    tiles_left : int or None
        Blanks that the budget leaves; None where it does not bind them.
    count : int
        Tiles of the next load that were asked for, all at `firing`.
    rack_places : tuple of int
        Where they lie; empty where the plan does not say.
    waiting : tuple of str
        Tiles that are planned and were not looked at yet.
    notes : tuple of str
    provenance : Provenance
    reads : {'degF', 'degC'}
        Unit of the kiln's display.
    """

    firing: Firing | None
    now: Firing | None
    odds: float
    odds_after: float
    more_tiles: int
    odds_after_more: float
    odds_known: float
    least_gain: float
    stop: str | None
    stop_code: str | None
    belief: BeliefCurve | None
    target: tuple[str, ...]
    n_looks: int
    tiles_left: int | None
    count: int
    rack_places: tuple[int, ...]
    waiting: tuple[str, ...]
    notes: tuple[str, ...]
    provenance: Provenance
    reads: str = "degF"

    @property
    def gain(self) -> float:
        """What one more tile is expected to add to the odds."""
        return max(self.odds_after - self.odds, 0.0)

    @property
    def rack_place(self) -> int | None:
        """Where the first of the next tiles lies; None where the plan does not say."""
        return self.rack_places[0] if self.rack_places else None

    @property
    def table(self) -> pd.DataFrame:
        """The next load with the columns of ``next.csv``; no row where there is none."""
        rows = []
        if self.firing is not None:
            grain = grain_um(self.firing.mesh)
            row = {"load": 1, "grain_um": grain, "tile": "", **asdict(self.firing)}
            rows = [row] * self.count
        return pd.DataFrame(rows, columns=list(NEXT_COLUMNS))

    def one_more_tile(self) -> str:
        """Say what one more tile would add to the best odds; empty where none is left."""
        if self.firing is None:
            return ""
        at = format_temperature(self.firing.temperature_degC, self.reads)
        then = tenths(max(self.odds_after, self.odds))
        words = (
            f"One more tile, at {at}, is expected to bring the odds from "
            f"{tenths(self.odds)} to {then} of 10"
        )
        if self.more_tiles < 2:
            return f"{words}."
        several = count_words(self.more_tiles, "tile")
        return f"{words}; {several} to {tenths(self.odds_after_more)}."

    def stop_line(self) -> str:
        """Say why to stop; empty where a tile is worth firing."""
        if not self.stop:
            return ""
        return _stop_words(self.stop, self.stop_code)

    def summary(self) -> str:
        """Return what to choose now, what to fire next and what it adds, as lines."""
        wanted = " or ".join(self.target)
        if self.now is None:
            return f"Nothing can be fired: {self.stop}."
        seen = "" if self.n_looks else ", before any tile"
        lines = [
            f"Likeliest now: {self.now.words(self.reads)}: expect {of_ten(self.odds)} "
            f"{wanted}{seen}."
        ]
        if self.stop:
            lines.append(self.stop_line())
        if self.firing is not None:
            head = "If you go on, fire" if self.stop else "Fire next"
            tiles = count_words(self.count, "tile")
            there = self.firing == self.now
            at = "the same" if there else self.firing.words(self.reads)
            lines.append(f"{head} {tiles}: {at}{self._place_words()}.")
            lines.append(self.one_more_tile())
        if self.waiting:
            codes = ", ".join(self.waiting)
            lines.append(f"Planned and not graded yet: {codes}; fire and grade it first.")
        if self.tiles_left is not None and self.stop_code != "spent":
            blanks = count_words(max(self.tiles_left, 0), "blank")
            lines.append(f"{blanks} left before it." if self.firing else f"{blanks} left.")
        return "\n".join([*lines, *note_lines(self.notes)])

    def _place_words(self) -> str:
        if not self.rack_places:
            return ""
        places = " and ".join(str(place) for place in self.rack_places)
        return f", place{'s' * (self.count > 1)} {places} of the rack"

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain values."""
        return {
            "schema": FIRING_SCHEMA,
            "firing": asdict(self.firing) if self.firing else None,
            "now": asdict(self.now) if self.now else None,
            "odds": self.odds,
            "odds_after": self.odds_after,
            "more_tiles": self.more_tiles,
            "odds_after_more": self.odds_after_more,
            "odds_known": self.odds_known,
            "gain": self.gain,
            "least_gain": self.least_gain,
            "stop": self.stop,
            "stop_code": self.stop_code,
            "summary": self.summary().splitlines(),
            "belief": self.belief.to_dict() if self.belief else None,
            "target": list(self.target),
            "n_looks": self.n_looks,
            "tiles_left": self.tiles_left,
            "count": self.count,
            "rack_places": list(self.rack_places),
            "waiting": list(self.waiting),
            "notes": list(self.notes),
            "reads": self.reads,
            "provenance": self.provenance.to_dict(),
        }


def tenths(probability: float) -> str:
    """Write a probability as so many of ten, to one decimal.

    Examples
    --------
    >>> tenths(0.7), tenths(0.764)
    ('7', '7.6')
    """
    return f"{10.0 * probability:.1f}".removesuffix(".0")
