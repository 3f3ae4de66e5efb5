"""The windows of a studio as they are to be set today, under what was corrected since.

A window speaks of what its kiln read when its tiles were fired. Where a correction has
begun since, every temperature of it moves by what the kiln reads more or less today.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from firelab.craft.trade_words import setting_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_range,
    format_tolerance,
)
from firelab.errors import FirelabError
from firelab.memory.studio import Studio, read_each, read_studio, series_folders
from firelab.records.firing_log import read_firings
from firelab.records.what_changed import changed_since
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import WINDOWS_FILE, read_json
from firelab.series.kiln_settings import ANY_TEMPERATURE, settable_temperature
from firelab.series.series_file import read_series


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgesToday:
    """Edges of a window at one dwell, degC as the kiln reads today; None: not fired."""

    dwell_s: float
    low_degC: float | None
    high_degC: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeToday:
    """A recipe as it is to be set today.

    Attributes
    ----------
    before_degC, temperature_degC : float
        What was to be set when the tiles were fired, and what is to be set today.
    tolerance_degC, tolerance_s : float
        How far one may be off, less what rounding to a setting of the kiln takes.
    dwell_s : float
    """

    before_degC: float
    temperature_degC: float
    tolerance_degC: float
    dwell_s: float
    tolerance_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowToday:
    """A window at one setting as it is to be fired today.

    Attributes
    ----------
    series, file : str
        Folder and file that it was read from.
    kiln : str
        Name of the kiln in studio.toml; blank where it has none.
    reads : {'degF', 'degC'}
    target : tuple of str
    setting : dict
        Mesh, layers and base.
    moved_degC : float
        How much more the kiln reads today than when the tiles were fired.
    recipe : RecipeToday or None
    edges : tuple of EdgesToday
    is_stale : bool
        Whether what it was made from has changed since.
    """

    series: str
    file: str
    kiln: str
    reads: str
    target: tuple[str, ...]
    setting: dict[str, Any]
    moved_degC: float
    recipe: RecipeToday | None
    edges: tuple[EdgesToday, ...]
    is_stale: bool = False

    def recipe_words(self) -> str:
        """Say what to set today, and how far one may be off."""
        if self.recipe is None:
            return "no recipe yet"
        one = self.recipe
        room = f"{format_tolerance(one.tolerance_degC, self.reads)} and "
        room += f"{one.tolerance_s:.0f} s"
        stale = " (stale: more was recorded since)" if self.is_stale else ""
        return (
            f"set {format_temperature(one.temperature_degC, self.reads)} for "
            f"{format_duration(one.dwell_s)}, at most {room} off{stale}"
        )

    def edge_words(self) -> str:
        """Say between which temperatures the target comes, at a fired dwell."""
        whole = [one for one in self.edges if None not in (one.low_degC, one.high_degC)]
        if not whole:
            return ""
        wanted = whole[len(whole) // 2] if self.recipe is None else self.recipe
        edge = min(whole, key=lambda one: abs(one.dwell_s - wanted.dwell_s))
        span = format_temperature_range(
            float(edge.low_degC or 0.0), float(edge.high_degC or 0.0), self.reads
        )
        return f"{' or '.join(self.target)} from {span} for {format_duration(edge.dwell_s)}"

    def line(self) -> str:
        """Say what holds today in place of what was told, in one line."""
        name = self.series
        if self.file != WINDOWS_FILE:
            name += f" ({Path(self.file).stem.partition('-')[2]})"
        words = self.recipe_words()
        if self.recipe is not None and self.moved_degC:
            before = format_temperature(self.recipe.before_degC, self.reads)
            words += f", instead of {before}"
        parts = [words, *([self.edge_words()] if self.edge_words() else [])]
        return f"{name}, {setting_words(self.setting)}: {'; '.join(parts)}."

    def to_dict(self) -> dict[str, Any]:
        """Return the window as plain values."""
        return asdict(self)


def windows_today(
    folder: str | Path, today: date | None = None
) -> tuple[tuple[WindowToday, ...], tuple[str, ...]]:
    """Return every window of a studio as it is to be set, and what cannot be read.

    Parameters
    ----------
    folder : str or Path
        The studio.
    today : date, optional
        By default the day on which this runs.

    Returns
    -------
    tuple of WindowToday
    tuple of str
        A line for each series left out.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp()).parent
    >>> _ = firelab.start_demo(studio / "heron")
    >>> firelab.windows_today(studio)
    ((), ())
    """
    studio, day = read_studio(folder), today or date.today()
    found, left_out = read_each(
        series_folders(folder), lambda place: series_windows_today(studio, place, day)
    )
    return tuple(one for windows in found for one in windows), tuple(left_out)


def series_windows_today(studio: Studio, place: Path, today: date) -> list[WindowToday]:
    """Return the windows of a series folder, its other blanks' among them.

    Raises
    ------
    FirelabError
        If series, log or a file of windows cannot be read.
    """
    paths = sorted(place.glob(f"{Path(WINDOWS_FILE).stem}*.json"))
    if not paths:
        return []
    series = read_series(place)
    kiln = studio.kiln(series.kiln.name)
    name = kiln.name if kiln else ""
    moved = _moved_degC(studio, place, name, today)
    found = []
    for path in paths:
        stored = read_json(path.read_bytes(), path.name)
        try:
            found += [
                _window_today(path, name, series, stored, one, moved)
                for one in stored["windows"]
            ]
        except (KeyError, TypeError, ValueError, AttributeError) as fault:
            raise FirelabError(f"lacks or misnames {fault}", path.name) from None
    return found


def _moved_degC(studio: Studio, place: Path, kiln: str, today: date) -> float:
    """Return what is to be added today to what the kiln read when a series was fired."""
    if all(one.kiln != kiln for one in studio.corrections):
        return 0.0
    dated = [str(one) for one in read_firings(place).looks["fired_at"]]
    days = sorted(one[:10] for one in dated if one.strip())
    if not days:
        return 0.0
    fired = date.fromisoformat(days[len(days) // 2])
    return studio.correction_degC(kiln, today) - studio.correction_degC(kiln, fired)


def _window_today(
    path: Path,
    kiln: str,
    series: FiringSeries,
    stored: Mapping[str, Any],
    window: Mapping[str, Any],
    moved: float,
) -> WindowToday:
    recipe, provenance = window["recipe"], stored.get("provenance", {})
    return WindowToday(
        series=path.parent.name,
        file=path.name,
        kiln=kiln,
        reads=series.kiln.reads,
        target=tuple(str(one) for one in stored["target"]),
        setting=dict(window["setting"]),
        moved_degC=moved,
        is_stale=bool(provenance and changed_since(path.parent, provenance, "windows")),
        recipe=None if recipe is None else _recipe_today(series, recipe, moved),
        edges=tuple(
            EdgesToday(
                dwell_s=float(edge["dwell_s"]),
                low_degC=_moved_end(edge["low_degC"]["estimate"], moved),
                high_degC=_moved_end(edge["high_degC"]["estimate"], moved),
            )
            for edge in window["edges"]
        ),
    )


def _recipe_today(
    series: FiringSeries, recipe: Mapping[str, Any], moved: float
) -> RecipeToday:
    old = float(recipe["temperature_degC"])
    wanted = old + moved
    new = settable_temperature(series, wanted, ANY_TEMPERATURE) if moved else old
    room = float(recipe["tolerance_degC"]) - abs(new - wanted)
    return RecipeToday(
        before_degC=old,
        temperature_degC=new,
        tolerance_degC=max(0.0, room),
        dwell_s=float(recipe["dwell_s"]),
        tolerance_s=float(recipe["tolerance_s"]),
    )


def _moved_end(degC: float | None, moved: float) -> float | None:
    return None if degC is None else float(degC) + moved
