"""One bundle as rows of the shelf: itself, its windows, their edges, its looks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from firelab.errors import FirelabError
from firelab.records.records import Records
from firelab.series.folder import WINDOWS_FILE, read_json
from firelab.studios.bundle.bundle import Bundle, read_bundle, read_bundled_firings
from firelab.studios.bundle.descriptor import slug

TABLES: dict[str, dict[str, str]] = {
    "bundles": {
        "bundle": "VARCHAR",
        "file": "VARCHAR",
        "studio": "VARCHAR",
        "name": "VARCHAR",
        "colour": "VARCHAR",
        "colour_id": "VARCHAR",
        "maker_code": "VARCHAR",
        "lot": "VARCHAR",
        "kind": "VARCHAR",
        "lead": "VARCHAR",
        "metal": "VARCHAR",
        "thickness_mm": "DOUBLE",
        "licence": "VARCHAR",
        "invented": "BOOLEAN",
        "tiles": "INTEGER",
        "looks": "INTEGER",
        "coolest_degC": "DOUBLE",
        "hottest_degC": "DOUBLE",
        "shortest_s": "DOUBLE",
        "longest_s": "DOUBLE",
        "made_with": "VARCHAR",
    },
    "windows": {
        "bundle": "VARCHAR",
        "rank": "INTEGER",
        "mesh": "INTEGER",
        "layers": "INTEGER",
        "base": "VARCHAR",
        "target": "VARCHAR",
        "probability": "DOUBLE",
        "confidence": "DOUBLE",
        "recipe_degC": "DOUBLE",
        "recipe_s": "DOUBLE",
        "tolerance_degC": "DOUBLE",
        "tolerance_s": "DOUBLE",
        "assurance": "DOUBLE",
        "reason": "VARCHAR",
    },
    "edges": {
        "bundle": "VARCHAR",
        "rank": "INTEGER",
        "dwell_s": "DOUBLE",
        "low_degC": "DOUBLE",
        "low_lower_degC": "DOUBLE",
        "low_upper_degC": "DOUBLE",
        "high_degC": "DOUBLE",
        "high_lower_degC": "DOUBLE",
        "high_upper_degC": "DOUBLE",
        "low_side": "VARCHAR",
        "high_side": "VARCHAR",
    },
    "looks": {
        "bundle": "VARCHAR",
        "tile": "VARCHAR",
        "look": "INTEGER",
        "load": "INTEGER",
        "temperature_degC": "DOUBLE",
        "total_dwell_s": "DOUBLE",
        "stage": "VARCHAR",
        "transparency": "DOUBLE",
        "mesh": "INTEGER",
        "layers": "INTEGER",
        "base": "VARCHAR",
        "role": "VARCHAR",
    },
}
"""Tables of the shelf: column to its type.

``colour_id`` is the neutral name of a colour: its maker's code, or its own name, in
small letters, so that two spellings are one. Where an edge was not met, ``low_side``
and ``high_side`` say where it lies: ``below`` or ``above`` what was fired, or ``none``
where the target has no such edge; empty where the windows do not say.
"""

Rows = dict[str, list[tuple[Any, ...]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelvedFile:
    """What became of one file of the folder.

    Attributes
    ----------
    file : str
        Path below the folder.
    size, changed_ns : int
        As the file system tells.
    rows : dict
        Table to rows, in the order of `TABLES`; empty where refused.
    fault : str
        Why the file is not on the shelf; empty where it is.
    """

    file: str
    size: int
    changed_ns: int
    rows: Rows = field(default_factory=dict)
    fault: str = ""


def shelve_file(folder: str | Path, file: str) -> ShelvedFile:
    """Verify one bundle and return its rows, or why it cannot be shelved.

    Parameters
    ----------
    folder : str or Path
        Of the shelf.
    file : str
        Path of the bundle below it.
    """
    path = Path(folder) / file
    seen = path.stat()
    fault, rows = "", Rows()
    try:
        rows = _bundle_rows(read_bundle(path), file)
    except FirelabError as found:
        fault = str(found).splitlines()[0]
    return ShelvedFile(
        file=file, size=seen.st_size, changed_ns=seen.st_mtime_ns, rows=rows, fault=fault
    )


def _bundle_rows(bundle: Bundle, file: str) -> Rows:
    """Return the rows of a bundle."""
    records = read_bundled_firings(bundle)
    key = bundle.sha256[:16]
    windows = _windows_json(bundle)
    rows: Rows = {"bundles": [_bundle_row(bundle, records, key, file)]}
    rows["windows"], rows["edges"] = _window_rows(windows, key)
    looks = records.looks[list(TABLES["looks"])[1:]].astype(object)
    rows["looks"] = [
        (key, *row) for row in looks.where(looks.notna(), None).itertuples(index=False)
    ]
    return rows


def _windows_json(bundle: Bundle) -> Mapping[str, Any]:
    if WINDOWS_FILE not in bundle.contents:
        return {}
    stored = read_json(bundle.contents[WINDOWS_FILE], WINDOWS_FILE)
    if not isinstance(stored, dict) or not isinstance(stored.get("windows", []), list):
        raise FirelabError("does not hold a list of windows", WINDOWS_FILE)
    return stored


def _bundle_row(bundle: Bundle, records: Records, key: str, file: str) -> tuple[Any, ...]:
    series, looks = records.series, records.looks
    fired = looks[looks["role"] != "control"]
    return (
        key,
        file,
        bundle.studio,
        series.name,
        series.enamel.colour,
        slug(series.enamel.maker_code or series.enamel.colour),
        series.enamel.maker_code,
        series.enamel.lot,
        series.enamel.kind,
        series.enamel.lead,
        series.blank.metal,
        series.blank.thickness,
        bundle.licence,
        series.invented,
        records.plan.n_tiles,
        len(looks),
        _end(fired["temperature_degC"].min()),
        _end(fired["temperature_degC"].max()),
        _end(fired["total_dwell_s"].min()),
        _end(fired["total_dwell_s"].max()),
        str(bundle.descriptor["firelab"].get("versions", {}).get("firelab", "")),
    )


def _end(value: Any) -> float | None:
    return None if value != value else float(value)


def _window_rows(
    stored: Mapping[str, Any], key: str
) -> tuple[list[tuple[Any, ...]], list[tuple[Any, ...]]]:
    windows, edges = [], []
    try:
        for rank, window in enumerate(stored.get("windows", []), start=1):
            windows.append(_window_row(stored, window, key, rank))
            edges += [_edge_row(edge, key, rank) for edge in window["edges"]]
    except (KeyError, TypeError, ValueError, AttributeError) as fault:
        raise FirelabError(f"lacks or misnames {fault}", WINDOWS_FILE) from None
    return windows, edges


def _window_row(
    stored: Mapping[str, Any], window: Mapping[str, Any], key: str, rank: int
) -> tuple[Any, ...]:
    setting, recipe = window["setting"], window["recipe"] or {}
    return (
        key,
        rank,
        int(setting["mesh"]),
        int(setting["layers"]),
        str(setting["base"]),
        " | ".join(stored["target"]),
        float(stored["probability"]),
        float(stored["confidence"]),
        *(
            _number(recipe.get(name))
            for name in (
                "temperature_degC",
                "dwell_s",
                "tolerance_degC",
                "tolerance_s",
                "assurance",
            )
        ),
        None if window.get("reason") is None else str(window["reason"]),
    )


def _edge_row(edge: Mapping[str, Any], key: str, rank: int) -> tuple[Any, ...]:
    ends = [
        _number(edge[side][part])
        for side in ("low_degC", "high_degC")
        for part in ("estimate", "lower", "upper")
    ]
    sides = [_side(edge[side]) for side in ("low_degC", "high_degC")]
    return (key, rank, float(edge["dwell_s"]), *ends, *sides)


def _side(edge: Mapping[str, Any]) -> str:
    said = str(edge.get("reason") or "")
    if edge["estimate"] is not None or not said:
        return ""
    if said.startswith("no "):
        return "none"
    return said.partition(" ")[0]


def _number(value: Any) -> float | None:
    return None if value is None else float(value)
