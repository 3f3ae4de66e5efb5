"""The tile board of a studio: every fired tile, what it shows and where it lies."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any

import pandas as pd

from firelab.craft.tile_codes import plain_code
from firelab.craft.trade_words import Shown, count_words, setting_words
from firelab.craft.units import format_duration, format_temperature
from firelab.errors import UsageError
from firelab.memory.studio import Studio, read_each, read_studio, series_folders
from firelab.memory.studio_tables import TILES_FILE, StoredTile, read_stored
from firelab.memory.windows_today import WindowToday, series_windows_today
from firelab.records.firing_log import looks_frame, read_planned_log
from firelab.records.look import LOST
from firelab.records.photographs import look_photos
from firelab.series.folder import INVENTED, PLAN_TABLE, WINDOWS_FILE, marked_code
from firelab.series.series_file import read_series

BOARD_SCHEMA = "firelab/board/1"
NO_GRADE = "no grade"
CONTROL = "control"
"""Stands for the kind of a control tile's colour, which no series says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardTile:
    """A tile as it came out of its last firing.

    Attributes
    ----------
    name : str
        Mark and code; of a series without a mark its folder and the code.
    series : str
        Folder.
    colour, kind, metal : str
        Of a control tile the colour that rode along, and `CONTROL`.
    setting : dict
        Mesh, layers and base.
    temperature_degC, dwell_s : float
        Of its last firing.
    n_firings : int
    total_dwell_s : float
        Of all its firings.
    grades : tuple of str
        What those who looked last gave it, each once; `NO_GRADE` where nobody did.
    rank : int
        Place of the first of them on its scale, from 1.
    is_target : bool
    score : float or None
    fired_on : str
        Day of its last firing; blank where nobody wrote it.
    lies : str
        Where; blank where nobody wrote it.
    photo : Path or None
    reads : {'degF', 'degC'}
    """

    name: str
    series: str
    colour: str
    kind: str
    metal: str
    setting: dict[str, Any]
    temperature_degC: float
    dwell_s: float
    n_firings: int
    total_dwell_s: float
    grades: tuple[str, ...]
    rank: int
    is_target: bool
    score: float | None
    fired_on: str
    lies: str
    photo: Path | None
    reads: str

    @property
    def heat_words(self) -> str:
        """Its temperature in words."""
        return format_temperature(self.temperature_degC, self.reads)

    @property
    def dwell_words(self) -> str:
        """How long it was fired in words."""
        words = format_duration(self.dwell_s)
        if self.n_firings > 1:
            whole = format_duration(self.total_dwell_s)
            words += f"; {self.n_firings} firings, {whole} in all"
        return words

    @property
    def grade_words(self) -> str:
        """What it shows in words."""
        words = " or ".join(self.grades)
        return words if self.score is None else f"{words}, score {self.score:g}"

    def line(self) -> str:
        """Say all of it in one line."""
        where = f"lies: {self.lies}" if self.lies else "nobody wrote where it lies"
        day = f", fired {self.fired_on}" if self.fired_on else ""
        return (
            f"{self.name}: {self.colour}, {setting_words(self.setting)}; "
            f"{self.grade_words} at {self.heat_words} for {self.dwell_words}{day}; {where}."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSection:
    """Tiles of one colour at one setting, row by row.

    Attributes
    ----------
    colour, kind, metal : str
    setting : dict
    recipes : tuple of str
        What to set today, a series each.
    rows : tuple of tuple of BoardTile
        One row per temperature, coolest first; shortest dwell first in each.
    """

    colour: str
    kind: str
    metal: str
    setting: dict[str, Any]
    recipes: tuple[str, ...]
    rows: tuple[tuple[BoardTile, ...], ...]

    @property
    def heading(self) -> str:
        """The colour, with what it is and lies on."""
        kind = "control tiles" if self.kind == CONTROL else self.kind
        return f"{self.colour}, {kind} on {self.metal}"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class TileBoard(Shown):
    """All tiles of a studio.

    Attributes
    ----------
    studio : str
    tiles : tuple of BoardTile
        By colour, base, mesh, coats, temperature and dwell.
    windows : tuple of WindowToday
        The series' own windows, as they are to be set today.
    left_out : tuple of str
        Series that cannot be read, and rows of tiles.csv that name no tile.
    invented : str
        Says so where demonstration data are among them; blank where not.
    """

    studio: str
    tiles: tuple[BoardTile, ...]
    windows: tuple[WindowToday, ...]
    left_out: tuple[str, ...]
    invented: str

    @property
    def sections(self) -> tuple[BoardSection, ...]:
        """The board as it hangs."""
        return tuple(self._sections())

    def _sections(self) -> Iterator[BoardSection]:
        for _, alike in groupby(self.tiles, _place):
            own = tuple(alike)
            first = own[0]
            by_heat = groupby(own, lambda one: one.heat_words)
            yield BoardSection(
                colour=first.colour,
                kind=first.kind,
                metal=first.metal,
                setting=first.setting,
                recipes=self.recipes(own),
                rows=tuple(tuple(row) for _, row in by_heat),
            )

    def recipes(self, tiles: Iterable[BoardTile]) -> tuple[str, ...]:
        """Return what to set today by the windows of the tiles' series, in words."""
        wanted = {(one.series, _setting_key(one.setting)) for one in tiles}
        found = [
            one
            for one in self.windows
            if one.recipe is not None and (one.series, _setting_key(one.setting)) in wanted
        ]
        return tuple(f"{one.series}: {one.recipe_words()}" for one in found)

    @property
    def table(self) -> pd.DataFrame:
        """One row per tile."""
        return pd.DataFrame(
            {**row, **row.pop("setting"), "grades": " or ".join(row["grades"])}
            for row in map(asdict, self.tiles)
        )

    def find(self, tile: str) -> tuple[BoardTile, ...]:
        """Return the tiles of that name: mark and code, mark alone, or code alone.

        Raises
        ------
        UsageError
            If there is none.
        """
        wanted = plain_code(tile)
        found = tuple(one for one in self.tiles if wanted in _names(one.name))
        if not found:
            marks = sorted({one.name.rpartition("-")[0] for one in self.tiles})
            raise UsageError(
                f"no tile on the board is called {tile[:40]!r}",
                "--tile",
                f"write mark and code, such as KE-AEX; the marks are {', '.join(marks)}",
            )
        return found

    def summary(self) -> str:
        """Return what hangs on the board, the answer first."""
        if not self.tiles:
            return f"{self.studio}: no tile was fired yet."
        series = len({one.series for one in self.tiles})
        colours = count_words(len({one.colour for one in self.tiles}), "colour")
        placed = sum(bool(one.lies) for one in self.tiles)
        pictured = sum(one.photo is not None for one in self.tiles)
        lines = [
            f"{self.studio}: {count_words(len(self.tiles), 'tile')} of {colours}, "
            f"{series} series.",
            f"Places written: {placed}. Photographs: {pictured}.",
        ]
        return "\n".join([*lines, *([self.invented] if self.invented else [])])

    def to_dict(self) -> dict[str, Any]:
        """Return the board as plain values."""
        return {
            "schema": BOARD_SCHEMA,
            "studio": self.studio,
            "tiles": [
                {**asdict(one), "photo": None if one.photo is None else str(one.photo)}
                for one in self.tiles
            ],
            "windows": [one.to_dict() for one in self.windows],
            "left_out": list(self.left_out),
            "invented": self.invented,
        }


def read_board(folder: str | Path, *, today: date | None = None) -> TileBoard:
    """Return the tiles of a studio: all that were fired and are there still.

    Parameters
    ----------
    folder : str or Path
        The studio.
    today : date, optional
        Recipes are told as they are to be set on it; by default the day of the call.

    Raises
    ------
    FirelabError
        If there is no studio.
    FaultyFile
        With every fault of studio.toml or tiles.csv.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> _ = firelab.start_demo(studio / "heron")
    >>> board = firelab.read_board(studio)
    >>> len(board.tiles), board.sections[0].rows[0][0].grade_words
    (30, 'sugar')
    """
    base, day = Path(folder), today or date.today()
    studio, stored = read_studio(base), read_stored(base)

    def read(place: Path) -> tuple[list[BoardTile], list[WindowToday], bool]:
        return _read_series(place, studio, stored, day)

    found, left_out = read_each(series_folders(base), read)
    tiles = [tile for own, _, _ in found for tile in own]
    known = {name for one in tiles for name in _names(one.name)}
    left_out += [
        f"{TILES_FILE} line {one.line}: {one.tile} is no tile of the studio"
        for name, one in stored.items()
        if name not in known
    ]
    return TileBoard(
        studio=studio.name,
        tiles=tuple(sorted(tiles, key=_order)),
        windows=tuple(one for _, windows, _ in found for one in windows),
        left_out=tuple(left_out),
        invented=_invented_words([invented for own, _, invented in found if own]),
    )


def _invented_words(invented: Sequence[bool]) -> str:
    if not any(invented):
        return ""
    return INVENTED if all(invented) else "Invented demonstration data are among the tiles."


def _read_series(
    place: Path, studio: Studio, stored: dict[str, StoredTile], day: date
) -> tuple[list[BoardTile], list[WindowToday], bool]:
    """Return the tiles and windows of a series, and whether they are invented."""
    series = read_series(place)
    if not (place / PLAN_TABLE).is_file():
        return [], [], series.invented
    _, plan, log = read_planned_log(place)
    lost = {one.tile for one in log.standing if LOST in one.change}
    seen = tuple(one for one in log.standing if one.tile not in lost)
    photos = {one.tile: path for one, path in look_photos(place, log.rows, seen)}
    control = series.plan.control
    kinds = {
        "control": (control.colour if control else "control", CONTROL),
        "test": (series.enamel.colour, series.enamel.kind),
    }
    mark, grades = series.mark or place.name, series.responses.stage.grades
    tiles = []
    for code, looks in looks_frame(seen, series, plan).groupby("tile", sort=False):
        looked = looks[looks["look"] == looks["look"].max()]
        last = looked.iloc[-1]
        found = tuple(dict.fromkeys(looked["stage"].dropna())) or (NO_GRADE,)
        scores = looked["transparency"].dropna()
        colour, kind = kinds.get(str(last["role"]), kinds["test"])
        name = marked_code(mark, str(code))
        kept = stored.get(plain_code(name)) or stored.get(plain_code(mark))
        tiles.append(
            BoardTile(
                name=name,
                series=place.name,
                colour=colour,
                kind=kind,
                metal=series.blank.metal,
                setting={
                    "mesh": int(last["mesh"]),
                    "layers": int(last["layers"]),
                    "base": str(last["base"]),
                },
                temperature_degC=float(last["temperature_degC"]),
                dwell_s=float(last["dwell_s"]),
                n_firings=int(looks["look"].nunique()),
                total_dwell_s=float(last["total_dwell_s"]),
                grades=found,
                rank=1 + grades.index(found[0]) if found[0] in grades else 0,
                is_target=set(found) <= set(series.responses.stage.target),
                score=float(scores.mean()) if len(scores) else None,
                fired_on=max(str(one)[:10] for one in looked["fired_at"]),
                lies=kept.lies if kept else "",
                photo=photos.get(str(code)),
                reads=series.kiln.reads,
            )
        )
    windows = series_windows_today(studio, place, day)
    return tiles, [one for one in windows if one.file == WINDOWS_FILE], series.invented


def _names(name: str) -> set[str]:
    """Return what a tile can be asked for by: in full, its mark, its code."""
    mark, _, code = name.rpartition("-")
    return {plain_code(part) for part in (name, mark, code) if part}


def _setting_key(setting: dict[str, Any]) -> tuple[int, int, str]:
    return int(setting["mesh"]), int(setting["layers"]), str(setting["base"])


def _place(tile: BoardTile) -> tuple[Any, ...]:
    mesh, layers, base = _setting_key(tile.setting)
    return tile.colour.casefold(), tile.kind, tile.metal, base, mesh, layers


def _order(tile: BoardTile) -> tuple[Any, ...]:
    heat = round(tile.temperature_degC), tile.heat_words
    return (*_place(tile), *heat, tile.total_dwell_s, tile.name)
