"""Parts of the page: tables, pictures and groups of both, all plain words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import takewhile
from typing import Any

import pandas as pd

from firelab.charts.axes import write_dwell
from firelab.charts.edge_plot import is_outside
from firelab.craft.degrees import SIGN
from firelab.craft.trade_words import (
    count_words,
    distinct_names,
    setting_words,
    shared_name,
)
from firelab.craft.units import format_temperature
from firelab.records.records import Records
from firelab.series.folder import INVENTED, Provenance
from firelab.windows.answer_words import WindowAsked, word_answer
from firelab.windows.setting_window import EdgeInterval, SettingWindow
from firelab.windows.window import FiringWindows

_HALF_A_PAGE = 56
"""Characters of a table's type that stand in half a page, A4 or Letter (as measured)."""


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
    held : int
        First columns in which a cell stands once for the rows that share it.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    classes: tuple[str, ...]
    held: int = 0

    @property
    def is_broad(self) -> bool:
        """Whether it is broader than half a page of paper."""
        columns = zip(self.head, *self.rows, strict=True)
        characters = sum(
            2 + max(len(line) for cell in cells for line in cell.split("\n"))
            for cells, kind in zip(columns, self.classes, strict=True)
            if kind not in ("text", "note")
        )
        return characters > _HALF_A_PAGE or "note" in self.classes

    @property
    def spans(self) -> tuple[tuple[int, ...], ...]:
        """Rows that each cell stands for; 0 where the cell above does."""
        spans = []
        for place, row in enumerate(self.rows):
            counts = [1] * len(row)
            for column in range(self.held):
                shared = row[: column + 1]
                if place and self.rows[place - 1][: column + 1] == shared:
                    counts[column] = 0
                    continue
                below = (one[: column + 1] == shared for one in self.rows[place:])
                counts[column] = len(list(takewhile(bool, below)))
            spans.append(tuple(counts))
        return tuple(spans)


@dataclass(frozen=True, slots=True, kw_only=True)
class PageImage:
    """A figure as the page carries it: a data URI, and its size in CSS pixels."""

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
    """Return one row per setting; a list, no ranking of what the tiles cannot tell."""
    names = zip(windows.windows, short_names(windows), strict=True)
    rows = tuple(_setting_row(window, name, windows.asked) for window, name in names)
    shared = shared_name([window.setting for window in windows.windows])
    return PageTable(
        caption=f"Tiles as wanted, and how sure{': ' * bool(shared)}{shared}",
        head=("setting", "recipe", "of 100", "sure"),
        rows=rows,
        classes=("text", "text", "number", "number"),
    )


def short_names(windows: FiringWindows) -> list[str]:
    """Return each setting by what tells it from the others; in full where it is alone."""
    settings = [window.setting for window in windows.windows]
    return [
        short or setting_words(setting)
        for short, setting in zip(distinct_names(settings), settings, strict=True)
    ]


def _setting_row(window: SettingWindow, name: str, asked: WindowAsked) -> tuple[str, ...]:
    shown, words = window.recipe or window.best, word_answer(window, asked)
    return (
        name,
        " for ".join(words.settings) if words.assured else "none yet",
        f"{100 * shown.probability:.0f}",
        f"{shown.assurance:.0%}",
    )


def tile_table(records: Records) -> PageTable:
    """Return one row per look: what was fired and what came of it.

    A column in which nothing was written is left out; so is the setting where
    there is but one.
    """
    rows, reads = records.table.to_dict("records"), records.series.kiln.reads
    looks = [{str(name): cell for name, cell in row.items()} for row in rows]
    columns = {
        "load": [str(look["load"]) for look in looks],
        SIGN[reads]: [own_degrees(look["temperature_degC"], reads) for look in looks],
        "tile": [str(look["tile"]) for look in looks],
        "dwell": [_dwell_cell(look) for look in looks],
        **_by_difference(looks),
        "role": ["" if look["role"] == "test" else str(look["role"]) for look in looks],
        "stage": [_cell(look["stage"]) for look in looks],
        "score": [_cell(look["transparency"]) for look in looks],
        "observer": [_cell(look["observer"]) for look in looks],
        "defects": [_cell(look["defects"]) for look in looks],
        "note": [_note(look["note"]) for look in looks],
    }
    settings = {setting_words(look) for look in looks}
    if len(set(columns["observer"])) == 1:
        del columns["observer"]
    kept = {name: cells for name, cells in columns.items() if any(cells)}
    where = f", {settings.pop()}" if len(settings) == 1 else ""
    tiles, loads = len(set(columns["tile"])), len(set(columns["load"]))
    return PageTable(
        caption=f"{count_words(len(looks), 'look')} at {count_words(tiles, 'tile')} in "
        f"{count_words(loads, 'load')}{where}",
        head=tuple(kept),
        rows=tuple(zip(*kept.values(), strict=True)),
        classes=tuple(_TILE_CLASSES.get(name, "") for name in kept),
        held=2,
    )


def own_degrees(degC: float, reads: str) -> str:
    """Write a temperature in the kiln's unit alone, where the head of a column names it."""
    return format_temperature(degC, reads).partition(" ")[0]


def _by_difference(looks: Sequence[Mapping[str, Any]]) -> dict[str, list[str]]:
    """Return the columns of mesh, coats and base that differ between looks."""
    columns = {
        name: [str(look[key]) for look in looks]
        for name, key in (("mesh", "mesh"), ("coats", "layers"), ("base", "base"))
    }
    return {name: cells for name, cells in columns.items() if len(set(cells)) > 1}


def _dwell_cell(look: Mapping[Any, Any]) -> str:
    dwell = write_dwell(look["dwell_s"])
    if look["total_dwell_s"] > look["dwell_s"]:
        dwell += f" ({write_dwell(look['total_dwell_s'])} in all)"
    return dwell


def _cell(value: Any) -> str:
    if pd.isna(value) or value == "":
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def _note(note: Any) -> str:
    """Return a note; that data are invented stands on the page as a whole."""
    return "" if str(note) == INVENTED else _cell(note)


def count_words_of_grades(records: Records) -> str:
    """Say how many looks had each grade, those that never occurred included.

    Such as ``Grades: sugar 5, orange peel 5, full 9, over 0.``
    """
    graded = records.graded["stage"]
    grades = records.series.responses.stage.grades
    counts = ", ".join(f"{grade} {int((graded == grade).sum())}" for grade in grades)
    return f"Grades: {counts}."


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


_NOT_FIRED = "…"
"""Stands for an end beyond what was fired."""


def edge_table(
    windows: FiringWindows, window: SettingWindow, *, names_probability: bool = True
) -> PageTable:
    """Return one row per fired dwell of a setting, the recipe's among them."""
    share = f" for {windows.probability * 100:.0f} of 100 tiles"
    asked = share if names_probability else ""
    own = window.recipe.dwell_s if window.recipe else None
    both = partial(format_temperature, reads=windows.reads)
    alone = partial(own_degrees, reads=windows.reads)
    return PageTable(
        caption=f"Dwell held: edges{asked}, {SIGN[windows.reads]}",
        head=("dwell", "low edge", "high edge"),
        rows=tuple(
            (
                write_dwell(edge.dwell_s) + ("\nrecipe" if edge.dwell_s == own else ""),
                _interval_cell(edge.low_degC, both, alone),
                _interval_cell(edge.high_degC, both, alone),
            )
            for edge in window.shown_edges
        ),
        classes=("lines", "text", "text"),
    )


def dwell_edge_table(windows: FiringWindows, window: SettingWindow) -> PageTable:
    """Return one row per fired temperature of a setting: shortest and longest dwell."""
    return PageTable(
        caption="Temperature held: dwells, min:s",
        head=(SIGN[windows.reads], "shortest", "longest"),
        rows=tuple(
            (
                own_degrees(edge.temperature_degC, windows.reads),
                _interval_cell(edge.low_s, write_dwell, write_dwell),
                _interval_cell(edge.high_s, write_dwell, write_dwell),
            )
            for edge in window.dwell_edges
        ),
        classes=("", "text", "text"),
    )


def _interval_cell(
    interval: EdgeInterval, write: Callable[[float], str], write_end: Callable[[float], str]
) -> str:
    """Write an edge over the ends of its interval.

    Examples
    --------
    >>> edge = EdgeInterval(estimate=120.0, lower=None, upper=150.0)
    >>> print(_interval_cell(edge, write_dwell, write_dwell))
    2:00
    …–2:30
    """
    if is_outside(interval):
        reason = interval.reason or "not fired"
        return reason.removesuffix(" the fired range").removesuffix(" than was fired")
    low, high = (
        _NOT_FIRED if end is None else write_end(end)
        for end in (interval.lower, interval.upper)
    )
    middle = _NOT_FIRED if interval.estimate is None else write(interval.estimate)
    return f"{middle}\n{low}–{high}"
