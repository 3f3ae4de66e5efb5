"""What each file and each column of a bundle holds, in words, for its descriptor."""

from __future__ import annotations

from firelab.series.folder import (
    FIRINGS_FILE,
    FIT_FILE,
    NEXT_FILE,
    PLAN_FILE,
    PLAN_TABLE,
    REPORT_FILE,
    SERIES_FILE,
    WINDOWS_FILE,
    WINDOWS_TABLE,
)

FILE_WORDS: dict[str, str] = {
    SERIES_FILE: "what was to be learned: jar, blank, factors, rules, budget, grades",
    PLAN_TABLE: "the plan: one row per tile and test firing",
    PLAN_FILE: "figures of the plan, preparation firings, powder and time, versions",
    FIRINGS_FILE: "the firing log: one row per look at a tile",
    FIT_FILE: "the fit of stage and clarity, its options, priors and sources",
    WINDOWS_FILE: "the firing windows: edges, recipe, reasons",
    WINDOWS_TABLE: "the edges of the firing windows as a table",
    NEXT_FILE: "the tiles that were to be fired next",
    REPORT_FILE: "the report as one page",
}
FOLDER_WORDS: dict[str, str] = {
    "traces": "kiln readings over time",
    "figures": "a figure of the report",
    "photos": "a photograph of tiles, without place, time and owner",
}
COLUMN_WORDS: dict[str, str] = {
    "tile": "code of the tile",
    "look": "which look at the tile, from 1",
    "session": "session of firing, from 1",
    "load": "load of the kiln, from 1",
    "order": "place in the order of firing, from 1",
    "temperature_degC": "temperature: planned in a plan, read at the kiln in a log",
    "dwell_s": "time in the hot kiln, of that firing alone",
    "mesh": "sieve number that the powder passed",
    "grain_um": "opening of that sieve",
    "layers": "coats of enamel",
    "base": "what lies under the colour; none is bare metal",
    "role": "test, repeat or control (a tile of another, known colour)",
    "stage": "grade of fusing, by eye",
    "transparency": "score of transparency, by eye",
    "observer": "who graded, by code",
    "fired_at": "when it was fired",
    "defects": "defects that were seen",
    "note": "a note",
    "change": "what a row corrects or takes back",
    "recorded_at": "when the row was added",
    "recorded_by": "who added the row, by code",
    "entry": "name of the row, so that it is kept once",
    "rank": "rank of the setting, the widest window first",
    "low_degC": "low edge: the target is reached from here",
    "high_degC": "high edge: the target is passed from here",
    "estimate": "estimate",
    "lower": "lower end of its interval",
    "upper": "upper end of its interval",
    "reason": "why a value is missing",
}


def file_words(name: str) -> str:
    """Return what a file holds."""
    folder = name.partition("/")[0]
    return FILE_WORDS.get(name) or FOLDER_WORDS.get(folder, "further file of the series")


def column_words(name: str) -> str:
    """Return what a column holds.

    Examples
    --------
    >>> column_words("low_degC_upper")
    'low edge: the target is reached from here; upper end of its interval'
    """
    if name in COLUMN_WORDS:
        return COLUMN_WORDS[name]
    edge, _, part = name.rpartition("_")
    words = [COLUMN_WORDS[one] for one in (edge, part) if one in COLUMN_WORDS]
    return "; ".join(words) or "further column"
