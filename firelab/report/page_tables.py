"""Parts of the page: tables, pictures and groups of both, all plain words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from firelab.charts.edge_plot import write_interval
from firelab.craft.trade_words import count_words, setting_words
from firelab.craft.units import (
    format_duration,
    format_temperature,
    format_temperature_range,
)
from firelab.records.records import Records
from firelab.series.folder import INVENTED, Provenance
from firelab.windows.answer_words import WindowAsked, word_answer
from firelab.windows.setting_window import EdgeInterval, SettingWindow
from firelab.windows.window import FiringWindows


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTable:
    """A table of words.

    Attributes
    ----------
    caption : str
    head : tuple of str
        Column heads, units included.
    rows : tuple of tuple of str
    classes : tuple of str
        Per column: ``number``, ``code``, ``hash`` or empty.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    classes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageImage:
    """A figure as the page carries it.

    Attributes
    ----------
    source : str
        A data URI: the page fetches nothing.
    alt, caption : str
    width, height : int
        CSS pixels, so that the page keeps its place while it loads.
    """

    source: str
    alt: str
    caption: str
    width: int
    height: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PageGroup:
    """A section of the page under one heading.

    Attributes
    ----------
    anchor, title : str
    lines : tuple of str
        Paragraphs.
    topics : tuple of str
        Figures of these topics stand here.
    tables : tuple of PageTable
    """

    anchor: str
    title: str
    lines: tuple[str, ...] = ()
    topics: tuple[str, ...] = ()
    tables: tuple[PageTable, ...] = ()


_TILE_CLASSES = {"tile": "code", "load": "number", "score": "number", "note": "note"}


def ranking_table(windows: FiringWindows) -> PageTable:
    """Return one row per setting, the widest assured window first."""
    head = (
        "rank",
        "setting",
        "recipe",
        "probability",
        "assurance",
        "share assured",
    )
    rows = tuple(
        _ranking_row(rank, window, windows.asked)
        for rank, window in enumerate(windows.windows, start=1)
    )
    classes = ("number", "text", "text", "number", "number", "number")
    return PageTable(
        caption="Settings, the widest assured window first",
        head=head,
        rows=rows,
        classes=classes,
    )


def _ranking_row(rank: int, window: SettingWindow, asked: WindowAsked) -> tuple[str, ...]:
    shown, words = window.recipe or window.best, word_answer(window, asked)
    return (
        str(rank),
        words.setting,
        f"{words.set_words}\n{words.tolerance}" if words.assured else "none yet",
        f"{shown.probability:.2f}",
        f"{shown.assurance:.2f}",
        f"{window.assured_share:.0%}",
    )


def tile_table(records: Records) -> PageTable:
    """Return one row per look: what was fired and what came of it.

    A column in which nothing was written is left out; so is the setting where
    there is but one.
    """
    rows, reads = records.table.to_dict("records"), records.series.kiln.reads
    looks = [{str(name): cell for name, cell in row.items()} for row in rows]
    columns = {
        "tile": [str(look["tile"]) for look in looks],
        "load": [str(look["load"]) for look in looks],
        "temperature": [
            format_temperature(look["temperature_degC"], reads) for look in looks
        ],
        "dwell": [_dwell_cell(look) for look in looks],
        "setting": [setting_words(look) for look in looks],
        "role": ["" if look["role"] == "test" else str(look["role"]) for look in looks],
        "stage": [_cell(look["stage"]) for look in looks],
        "score": [_cell(look["transparency"]) for look in looks],
        "observer": [_cell(look["observer"]) for look in looks],
        "defects": [_cell(look["defects"]) for look in looks],
        "note": [_note(look["note"]) for look in looks],
    }
    settings = set(columns["setting"])
    if len(settings) < 2:
        del columns["setting"]
    kept = {name: cells for name, cells in columns.items() if any(cells)}
    where = f", {settings.pop()}" if len(settings) == 1 else ""
    tiles = len(set(columns["tile"]))
    return PageTable(
        caption=f"{count_words(len(looks), 'look')} at {count_words(tiles, 'tile')}, "
        f"as recorded{where}",
        head=tuple(kept),
        rows=tuple(zip(*kept.values(), strict=True)),
        classes=tuple(_TILE_CLASSES.get(name, "") for name in kept),
    )


def _dwell_cell(look: Mapping[Any, Any]) -> str:
    dwell = format_duration(look["dwell_s"])
    if look["total_dwell_s"] > look["dwell_s"]:
        dwell += f" ({format_duration(look['total_dwell_s'])} in all)"
    return dwell


def _cell(value: Any) -> str:
    if pd.isna(value) or value == "":
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def _note(note: Any) -> str:
    """Return a note; that data are invented stands on the page as a whole."""
    return "" if str(note) == INVENTED else _cell(note)


def count_table(records: Records) -> PageTable:
    """Return how many looks had each grade, those that never occurred included."""
    graded = records.graded["stage"]
    grades = records.series.responses.stage.grades
    rows = tuple((grade, str(int((graded == grade).sum()))) for grade in grades)
    return PageTable(
        caption="Grades given",
        head=("stage", "looks"),
        rows=rows,
        classes=("", "number"),
    )


def provenance_tables(provenance: Provenance) -> tuple[PageTable, ...]:
    """Return the hashes of what was read, and the versions that read it."""
    hashes = {"series.toml": provenance.series_hash, **provenance.sources}
    return (
        PageTable(
            caption="Files read",
            head=("file", "SHA-256"),
            rows=tuple((name, digest) for name, digest in hashes.items()),
            classes=("", "hash"),
        ),
        PageTable(
            caption="Versions",
            head=("package", "version"),
            rows=tuple(dict(provenance.versions).items()),
            classes=("", ""),
        ),
    )


Rows = tuple[tuple[str, str, str], ...]


def edge_table(windows: FiringWindows, window: SettingWindow) -> PageTable:
    """Return one row per fired dwell of a setting: low and high edge."""
    return PageTable(
        caption=(
            f"If you hold the dwell: edges at probability {windows.probability:g}, each "
            f"over its {windows.level:.0%} interval"
        ),
        head=("dwell", "low edge", "high edge"),
        rows=_by_dwell(window, windows.reads),
        classes=("", "text", "text"),
    )


def dwell_edge_table(windows: FiringWindows, window: SettingWindow) -> PageTable:
    """Return one row per fired temperature of a setting: shortest and longest dwell."""
    return PageTable(
        caption=(
            "If you hold the temperature: shortest and longest dwell at probability "
            f"{windows.probability:g}, each over its {windows.level:.0%} interval"
        ),
        head=("temperature", "shortest dwell", "longest dwell"),
        rows=_by_temperature(window, windows.reads),
        classes=("", "text", "text"),
    )


def _by_dwell(window: SettingWindow, reads: str) -> Rows:
    return tuple(
        (
            format_duration(edge.dwell_s),
            interval_cell(edge.low_degC, reads),
            interval_cell(edge.high_degC, reads),
        )
        for edge in window.edges
    )


def _by_temperature(window: SettingWindow, reads: str) -> Rows:
    return tuple(
        (
            format_temperature(edge.temperature_degC, reads),
            dwell_cell(edge.low_s, ("shorter than was fired", "longer than was fired")),
            dwell_cell(edge.high_s, ("shorter than was fired", "longer than was fired")),
        )
        for edge in window.dwell_edges
    )


def interval_cell(interval: EdgeInterval, reads: str = "degF") -> str:
    """Write an edge over its interval, both units in each line.

    Examples
    --------
    >>> print(interval_cell(EdgeInterval(estimate=760.0, lower=750.0, upper=770.0)))
    1400 °F (760 °C)
    1382 to 1418 °F (750 to 770 °C)
    """
    estimate, lower, upper = interval.estimate, interval.lower, interval.upper
    if estimate is None or lower is None or upper is None:
        return write_interval(interval, reads).replace(", from", "\nfrom")
    span = format_temperature_range(lower, upper, reads)
    return f"{format_temperature(estimate, reads)}\n{span}"


def dwell_cell(interval: EdgeInterval, beyond: tuple[str, str]) -> str:
    """Write a dwell edge over its interval.

    Examples
    --------
    >>> ends = ("shorter than was fired", "longer than was fired")
    >>> print(dwell_cell(EdgeInterval(estimate=120.0, lower=None, upper=150.0), ends))
    2 min
    shorter than was fired to 2 min 30 s
    """
    if interval.estimate is None and interval.lower is None and interval.upper is None:
        return interval.reason or "not inside the fired range"
    ends = [
        words if end is None else format_duration(end)
        for end, words in zip((interval.lower, interval.upper), beyond, strict=True)
    ]
    outside = interval.reason or "outside the fired range"
    first = outside if interval.estimate is None else format_duration(interval.estimate)
    return f"{first}\n{ends[0]} to {ends[1]}"
