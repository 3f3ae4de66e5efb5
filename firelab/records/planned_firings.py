"""The plan as the log asks it: where and how a tile's n-th firing was planned.

Cells of a table that repeat the plan are read here too, to be held against it.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from firelab.craft.trade_words import BARE
from firelab.errors import FirelabError
from firelab.plan.plan import Plan, rack_places
from firelab.records.look_cells import parse_whole
from firelab.series.firing_series import FiringSeries


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFiring:
    """One planned test firing of a tile; its place of the rack is 0 where not known."""

    session: int
    load: int
    order: int
    temperature_degC: float
    dwell_s: float
    place: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLoad:
    """One planned load: its session and its temperature, degC."""

    session: int
    temperature_degC: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFirings:
    """The plan by tile and by load.

    Attributes
    ----------
    tiles : dict of str to tuple of PlannedFiring
        In firing order.
    codes : dict of str to str
        Plain code (upper case, no blanks) to the code as planned.
    loads : dict of int to PlannedLoad
    settings : dict of str to dict
        By tile, what is sifted on it: ``mesh, layers, base, role``; empty where the
        plan does not tell.
    """

    tiles: dict[str, tuple[PlannedFiring, ...]]
    codes: dict[str, str]
    loads: dict[int, PlannedLoad]
    settings: dict[str, dict[str, Any]] = field(default_factory=dict)

    def firing(self, tile: str, look: int) -> PlannedFiring | None:
        """Return the planned firing that a look follows; None beyond the plan."""
        firings = self.tiles[tile]
        return firings[look - 1] if look <= len(firings) else None

    def cells(self, tile: str, look: int) -> dict[str, Any]:
        """Return what the plan says of a firing of a tile, by column of a table."""
        setting, firing = self.settings.get(tile, {}), self.firing(tile, look)
        if firing is None:
            return setting
        return {
            **setting,
            "order": firing.order,
            "planned_degC": firing.temperature_degC,
            "planned_s": firing.dwell_s,
        }

    def where(self, tile: str, look: int) -> tuple[int, int]:
        """Return session and load of a look; beyond the plan those of the last one."""
        firing = self.firing(tile, look) or self.tiles[tile][-1]
        return firing.session, firing.load

    def look_in(self, tile: str, load: int | None, session: int | None = None) -> int:
        """Return which look a load, or else a session, gives a tile.

        It is 1 where the plan does not tell: for a load that the tile is not planned
        in, and for a session that fires it several times.
        """
        here = [
            number
            for number, firing in enumerate(self.tiles[tile], start=1)
            if (firing.session == session if load is None else firing.load == load)
        ]
        return here[0] if len(here) == 1 or (here and load is not None) else 1


def planned_firings(plan: Plan | pd.DataFrame) -> PlannedFirings:
    """Index a plan by tile and load."""
    frame = plan if isinstance(plan, pd.DataFrame) else plan.tiles
    places = {} if isinstance(plan, pd.DataFrame) else rack_places(plan)
    tiles: dict[str, list[PlannedFiring]] = {}
    loads: dict[int, PlannedLoad] = {}
    ordered = frame.sort_values("order", kind="stable")
    columns = ("tile", "session", "load", "order", "temperature_degC", "dwell_s")
    for tile, session, load, order, temperature_degC, dwell_s in zip(
        *(ordered[name].tolist() for name in columns), strict=True
    ):
        firing = PlannedFiring(
            session=session,
            load=load,
            order=order,
            temperature_degC=temperature_degC,
            dwell_s=dwell_s,
            place=places.get((str(tile), int(load)), 0),
        )
        tiles.setdefault(str(tile), []).append(firing)
        loads.setdefault(
            firing.load,
            PlannedLoad(session=firing.session, temperature_degC=firing.temperature_degC),
        )
    return PlannedFirings(
        tiles={tile: tuple(firings) for tile, firings in tiles.items()},
        codes={"".join(tile.split()).upper(): tile for tile in tiles},
        loads=loads,
        settings=_settings(ordered),
    )


def _settings(frame: pd.DataFrame) -> dict[str, dict[str, Any]]:
    names = [name for name in ("mesh", "layers", "base", "role") if name in frame]
    once = frame.drop_duplicates("tile")
    rows = zip(*(once[name].tolist() for name in names), strict=True)
    return {
        str(tile): dict(zip(names, row, strict=True))
        for tile, row in zip(once["tile"].tolist(), rows, strict=True)
    }


def tiles_as_planned(plan: Plan, looks: pd.DataFrame) -> tuple[str, ...]:
    """Return the tiles of which every planned firing was looked at, and no other.

    Only such a tile may be planned a further firing: the n-th row of the plan is
    look n. After a firing beyond the plan the next row would take its number.

    Returns
    -------
    tuple of str
        In the order of their first firing, control tiles left out.
    """
    own = plan.tiles[plan.tiles["role"] != "control"].sort_values("order")
    planned = own.groupby("tile", sort=False).size()
    seen = looks.drop_duplicates(["tile", "look"]).groupby("tile").size()
    there = seen.reindex(planned.index, fill_value=0)
    return tuple(str(tile) for tile in planned.index[planned == there])


_BARE_WORDS = ("bare", "bare metal", "on bare metal", "-")


def plan_cell_parsers(series: FiringSeries) -> dict[str, Callable[[str], Any]]:
    """Return how each column that repeats the plan is read."""
    return {
        "mesh": lambda text: parse_whole(text.lower().removesuffix("mesh").strip()),
        "layers": lambda text: parse_whole(re.sub(r"\s*coats?$", "", text.lower())),
        "order": parse_whole,
        "base": _parse_base,
        "role": str,
        "grain_um": str,
        "colour": lambda text: _parse_colour(text, series),
    }


def repeats_plan(given: Any, right: Any) -> bool:
    """Tell whether a cell repeats the plan, to the degree or second that is written."""
    if isinstance(given, str):
        return given.casefold() == str(right).casefold()
    return abs(float(given) - float(right)) < 1.0


def _parse_base(text: str) -> str:
    plain = text.strip().removeprefix("over ")
    return BARE if plain.casefold() in _BARE_WORDS else plain


def _parse_colour(text: str, series: FiringSeries) -> str:
    if text.casefold() not in (series.enamel.colour.casefold(), series.name.casefold()):
        raise FirelabError(
            f"{text[:60]!r}, but this series is of {series.enamel.colour!r}",
            hint="is it the table of another series?",
        )
    return text
