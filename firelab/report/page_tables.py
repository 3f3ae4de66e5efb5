"""The page's tables: settings ranked, edges, tiles, provenance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from firelab.craft.counted_words import count_words
from firelab.craft.setting_words import setting_words
from firelab.craft.units import format_duration, format_temperature
from firelab.records.records import Records
from firelab.report.page_parts import PageTable
from firelab.series.folder import INVENTED, Provenance
from firelab.windows.window import FiringWindows, SettingWindow

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
        _ranking_row(rank, window) for rank, window in enumerate(windows.windows, start=1)
    )
    classes = ("number", "text", "text", "number", "number", "number")
    return PageTable(
        caption="Settings, the widest assured window first",
        head=head,
        rows=rows,
        classes=classes,
    )


def _ranking_row(rank: int, window: SettingWindow) -> tuple[str, ...]:
    shown = window.recipe or window.best
    recipe = "none assured"
    if window.recipe is not None:
        at = window.recipe
        recipe = (
            f"{format_temperature(at.temperature_degC)}, {format_duration(at.dwell_s)}\n"
            f"± {at.tolerance_degC:.0f} degC ({at.tolerance_degC * 1.8:.0f} degF), "
            f"± {format_duration(at.tolerance_s)}"
        )
    return (
        str(rank),
        setting_words(window.setting),
        recipe,
        f"{shown.probability:.2f}",
        f"{shown.assurance:.2f}",
        f"{window.assured_share:.0%}",
    )


def tile_table(records: Records) -> PageTable:
    """Return one row per look: what was fired and what came of it.

    A column in which nothing was written is left out; so is the setting where
    there is but one.
    """
    rows = records.table.to_dict("records")
    looks = [{str(name): cell for name, cell in row.items()} for row in rows]
    columns = {
        "tile": [str(look["tile"]) for look in looks],
        "load": [str(look["load"]) for look in looks],
        "temperature": [format_temperature(look["temperature_degC"]) for look in looks],
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
    """Return a note; that data are invented is said by the page as a whole."""
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
