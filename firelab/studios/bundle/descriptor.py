"""The Data Package descriptor of a bundle, with a Table Schema for both tables.

Both are open standards of the Frictionless project: any program that reads
them can read a bundle without firelab.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import unicodedata
from collections.abc import Mapping
from typing import Any

from firelab.plan.plan import PLAN_DTYPES, ROLES
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIRINGS_FILE,
    FIT_FILE,
    INVENTED,
    NEXT_FILE,
    PLAN_FILE,
    PLAN_TABLE,
    REPORT_FILE,
    SERIES_FILE,
    WINDOWS_FILE,
    WINDOWS_TABLE,
    read_json,
)
from firelab.series.history import HISTORY_FILE
from firelab.studios.bundle.deposit import LICENCES, UNNAMED, Origin

BUNDLE_SCHEMA = "firelab/bundle/1"
DESCRIPTOR_FILE = "datapackage.json"
ROUND_ROBIN_FILE = "round-robin.json"

_MEDIA_TYPES = {
    "toml": "application/toml",
    "csv": "text/csv",
    "json": "application/json",
    "html": "text/html",
    "svg": "image/svg+xml",
    "png": "image/png",
    "jpg": "image/jpeg",
    "jpeg": "image/jpeg",
    "pdf": "application/pdf",
}
_TABLES = (PLAN_TABLE, FIRINGS_FILE, WINDOWS_TABLE)
_INTEGERS = ("session", "load", "order", "look", "mesh", "layers", "rank")
_NUMBERS = ("temperature_degC", "dwell_s", "grain_um", "transparency")
_UNITS = {"temperature_degC": "degC", "dwell_s": "s", "grain_um": "um"}
_REQUIRED = {
    PLAN_TABLE: tuple(PLAN_DTYPES),
    FIRINGS_FILE: ("tile", "look", "load"),
    WINDOWS_TABLE: ("rank", "dwell_s"),
}

FILE_WORDS: dict[str, str] = {
    SERIES_FILE: "what was to be learned: jar, blank, factors, rules, budget, grades",
    PLAN_TABLE: "the plan: one row per tile and test firing",
    PLAN_FILE: "figures of the plan, preparation firings, powder and time, versions",
    HISTORY_FILE: "what earlier jars taught, on which the fit rests",
    ROUND_ROBIN_FILE: "the round robin that the series is a part of: cells and repeats",
    FIRINGS_FILE: "the firing log: one row per look at a tile",
    FIT_FILE: "the fit of stage and clarity, its options, priors and sources",
    WINDOWS_FILE: "the firing windows: edges, recipe, reasons",
    WINDOWS_TABLE: "the edges of the firing windows as a table",
    NEXT_FILE: "the tiles that were to be fired next",
    REPORT_FILE: "the report as one page",
}
"""What each file holds, the files in the order in which a bundle takes them: sources
before what is made from them."""
_FOLDER_WORDS: dict[str, str] = {
    "traces": "kiln readings over time",
    "figures": "a figure of the report",
    "photos": "a photograph of tiles, without place, time and owner",
    "references": "what the studio's own grade of that name looks like",
}
_COLUMN_WORDS: dict[str, str] = {
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
    "place": "place of the rack, from 1; blank: as planned",
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


def slug(text: str) -> str:
    """Return a name of small letters, digits and hyphens.

    Examples
    --------
    >>> slug("Marsh Green, Nº 4 (opaque)")
    'marsh-green-no-4-opaque'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.casefold()).strip("-")[:60] or "series"


def describe_bundle(
    contents: Mapping[str, bytes],
    series: FiringSeries,
    *,
    licence: str,
    studio: str,
    privacy: tuple[str, ...],
    made_with: Mapping[str, str],
    origin: Origin | None = None,
) -> dict[str, Any]:
    """Return the descriptor of a bundle as plain values.

    Parameters
    ----------
    contents : mapping of str to bytes
        Every file but the descriptor and the seal.
    series : FiringSeries
        What was fired.
    licence : str
        One of `LICENCES`.
    studio : str
        How the studio wants to be called; may be empty.
    privacy : tuple of str
        What was taken out, in words.
    made_with : mapping of str to str
        Package versions under which plan and fit were made.
    origin : Origin, optional
        The bundle that the series was unpacked from.

    Returns
    -------
    dict
        No date: the same content has the same descriptor.

    References
    ----------
    .. [1] Data Package and Table Schema, https://specs.frictionlessdata.io/.
    """
    title, address = LICENCES[licence]
    described = {
        "profile": "data-package",
        "name": slug(series.name),
        "title": series.name,
        "description": f"{INVENTED} {series.question}".strip()
        if series.invented
        else series.question,
        "keywords": [series.enamel.colour, series.enamel.kind, series.blank.metal],
        "licenses": [
            {"name": licence, "title": title, **({"path": address} if address else {})}
        ],
        "contributors": _contributors(studio, origin) or None,
        "sources": [_source(studio, origin)],
        "version": f"{len(origin.lineage) + 1 if origin else 1}.0.0",
        "resources": [
            _resource(name, called, contents[name], series)
            for name, called in _resource_names(contents).items()
        ],
        "firelab": {
            "schema": BUNDLE_SCHEMA,
            "seed": series.seed,
            "invented": series.invented,
            "versions": dict(made_with),
            "privacy": list(privacy),
            "dated": _last_day(contents[FIRINGS_FILE]) or None,
            **({"derived_from": list(origin.lineage)} if origin else {}),
        },
    }
    return {key: value for key, value in described.items() if value is not None}


def _last_day(log: bytes) -> str:
    r"""Return the latest day that a firing log names, "" where it names none.

    Examples
    --------
    >>> _last_day(b"fired_at,recorded_at\n2031-03-04,\n4 March,2031-03-05T08:00:00\n")
    '2031-03-05'
    """
    rows = csv.DictReader(io.StringIO(log.decode("utf-8"), newline=""))
    cells = (row.get(name) or "" for row in rows for name in ("fired_at", "recorded_at"))
    days = [cell[:10] for cell in cells if re.match(r"\d{4}-\d\d-\d\d(?!\d)", cell)]
    return max(days, default="")


def _contributors(studio: str, origin: Origin | None) -> list[dict[str, str]]:
    """Name who fired it first, then who passes it on."""
    author = origin.studio if origin else studio
    named = [{"title": author, "role": "author"}] if author else []
    if studio and studio != author:
        named.append({"title": studio, "role": "contributor"})
    return named


def _source(studio: str, origin: Origin | None) -> dict[str, str]:
    if origin is None:
        return {"title": f"fired and graded by {studio or UNNAMED}"}
    whose = origin.studio or UNNAMED
    return {"title": f"bundle of {whose}, {origin.licence}, SHA-256 {origin.sha256}"}


def made_with(contents: Mapping[str, bytes]) -> dict[str, str]:
    """Return the package versions that the newest derived file was made with."""
    for name in ("windows.json", "fit.json", "plan.json"):
        if name in contents:
            stored = read_json(contents[name], name)
            return dict(stored.get("provenance", {}).get("versions", {}))
    return {}


def _resource_names(contents: Mapping[str, bytes]) -> dict[str, str]:
    """Call each file by a slug of its own; files that share one are numbered."""
    taken: set[str] = set()
    called = {}
    for name in sorted(contents):
        tried, number = slug(name), 2
        while tried in taken:
            tried, number = f"{slug(name)}-{number}", number + 1
        taken.add(tried)
        called[name] = tried
    return called


def _resource(
    name: str, called: str, content: bytes, series: FiringSeries
) -> dict[str, Any]:
    suffix = name.rpartition(".")[2].lower()
    resource: dict[str, Any] = {
        "name": called,
        "path": name,
        "description": _file_words(name),
        "format": suffix,
        "mediatype": _MEDIA_TYPES[suffix],
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
    }
    if name in _TABLES:
        resource["profile"] = "tabular-data-resource"
        resource["encoding"] = "utf-8"
        resource["schema"] = _table_schema(name, content, series)
    return resource


def _table_schema(name: str, content: bytes, series: FiringSeries) -> dict[str, Any]:
    header = next(csv.reader(io.StringIO(content.decode("utf-8"))), [])
    schema: dict[str, Any] = {
        "fields": [_field(column, name, series) for column in header],
        "missingValues": [""],
    }
    if name == PLAN_TABLE:
        schema["primaryKey"] = ["tile", "load"]
    elif name == WINDOWS_TABLE:
        schema["primaryKey"] = ["rank", "dwell_s"]
    else:
        reference = {"resource": slug(PLAN_TABLE), "fields": "tile"}
        schema["foreignKeys"] = [{"fields": "tile", "reference": reference}]
    return schema


def _field(column: str, table: str, series: FiringSeries) -> dict[str, Any]:
    kind = "integer" if column in _INTEGERS else "string"
    is_edge = "_degC_" in column and not column.endswith("_reason")
    field: dict[str, Any] = {
        "name": column,
        "description": _column_words(column),
        "type": "number" if column in _NUMBERS or is_edge else kind,
    }
    if column in _UNITS or is_edge:
        field["unit"] = _UNITS.get(column, "degC")
    constraints: dict[str, Any] = {}
    if column in _REQUIRED[table]:
        constraints["required"] = True
    if column == "stage":
        constraints["enum"] = list(series.responses.stage.grades)
    if column == "role":
        constraints["enum"] = list(ROLES)
    if constraints:
        field["constraints"] = constraints
    return field


def _file_words(name: str) -> str:
    """Return what a file holds."""
    folder = name.partition("/")[0]
    return FILE_WORDS.get(name) or _FOLDER_WORDS.get(folder, "further file of the series")


def _column_words(name: str) -> str:
    """Return what a column holds.

    Examples
    --------
    >>> _column_words("low_degC_upper")
    'low edge: the target is reached from here; upper end of its interval'
    """
    if name in _COLUMN_WORDS:
        return _COLUMN_WORDS[name]
    edge, _, part = name.rpartition("_")
    words = [_COLUMN_WORDS[one] for one in (edge, part) if one in _COLUMN_WORDS]
    return "; ".join(words) or "further column"
