"""The jars of a studio, ``jars.csv``, and what they say of a new series."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, get_args, get_type_hints

import tomlkit

from firelab.errors import FaultyFile, UsageError
from firelab.memory.studio import JARS_FILE, StudioKiln
from firelab.memory.studio_tables import read_studio_table
from firelab.series.firing_series import Enamel
from firelab.series.toml_file import table_of

JAR_COLUMNS = ("jar", "colour", "kind", "maker_code", "lot", "lead", "bought", "note")


def _choices(name: str) -> tuple[str, ...]:
    """Return the words that a key of ``[enamel]`` takes."""
    annotated = get_type_hints(Enamel)[name]
    return tuple(str(word) for word in get_args(annotated))


@dataclass(frozen=True, slots=True, kw_only=True)
class Jar:
    """One row of ``jars.csv``.

    Attributes
    ----------
    jar : str
        The studio's own number of it.
    colour, kind, maker_code, lot, lead : str
        As in ``[enamel]`` of a series.
    bought : date or None
    note : str
    """

    jar: str
    colour: str
    kind: str = "opaque"
    maker_code: str = ""
    lot: str = ""
    lead: str = "unknown"
    bought: date | None = None
    note: str = ""


def read_jars(studio: str | Path) -> dict[str, Jar]:
    """Return the jars of a studio folder by their numbers; none without a jars.csv.

    Raises
    ------
    FaultyFile
        With every fault found, each with its line.
    """
    path = Path(studio) / JARS_FILE
    rows, findings = read_studio_table(path, JAR_COLUMNS, ("jar", "colour"), "jar")
    jars: dict[str, Jar] = {}
    lines: dict[str, int] = {}
    for row in rows:
        cells = row.cells
        faults, bought = _row_faults(cells, lines)
        findings += [row.finding(*one) for one in faults]
        lines.setdefault(cells.get("jar", ""), row.line)
        if not faults:
            kept = {name: cells[name] for name in JAR_COLUMNS if cells.get(name)}
            kept |= {key: kept[key].casefold() for key in ("kind", "lead") if key in kept}
            jars[cells["jar"]] = Jar(**{**kept, "bought": bought})  # type: ignore[arg-type]
    if findings:
        raise FaultyFile(findings)
    return jars


def _row_faults(
    cells: dict[str, str], lines: dict[str, int]
) -> tuple[list[tuple[str, str, str, str]], date | None]:
    """Return what is wrong with a row: code, column, words, remedy; and its date."""
    faults, bought = [], None
    for name in ("jar", "colour"):
        if not cells.get(name):
            faults.append(("jar-blank", name, f"{name} is empty", "write it in"))
    if cells.get("jar") in lines:
        words = f"jar {cells['jar']} is in line {lines[cells['jar']]} already"
        faults.append(("jar-twice", "jar", words, "give each jar a number of its own"))
    for name in ("kind", "lead"):
        known = _choices(name)
        if cells.get(name) and cells[name].casefold() not in known:
            words = f"{name} {cells[name]!r} is not known"
            faults.append(("jar-word", name, words, f"one of {', '.join(known)}"))
    try:
        bought = date.fromisoformat(cells["bought"]) if cells.get("bought") else None
    except ValueError:
        words = f"{cells['bought']!r} is not a date"
        faults.append(("jar-date", "bought", words, "write such as 2026-01-31"))
    return faults, bought


def known_jar(jars: dict[str, Jar], number: str) -> Jar:
    """Return a jar by its number.

    Raises
    ------
    UsageError
        If there is none.
    """
    if number not in jars:
        listed = ", ".join(sorted(jars)) or "none"
        raise UsageError(
            f"there is no jar {number!r} (there are: {listed})",
            "--jar",
            f"add it to {JARS_FILE}",
        )
    return jars[number]


def with_studio(text: str, kiln: StudioKiln | None, jar: Jar | None) -> str:
    """Return a series.toml with the studio's kiln and jar written in, comments kept.

    Parameters
    ----------
    text : str
        Of a ready design.
    kiln : StudioKiln or None
    jar : Jar or None
        With its own colour the series is named.
    """
    document = tomlkit.parse(text)
    if kiln is not None:
        own = {"name": kiln.name, "reads": kiln.reads, "step": kiln.step}
        _put(document, "kiln", {**own, "dwell_step": f"{kiln.dwell_step:g} s"})
        _put(document, "budget", {"places": kiln.places})
    if jar is not None:
        words = ("colour", "kind", "lead", "maker_code", "lot", "jar")
        _put(document, "enamel", {name: getattr(jar, name) for name in words})
        metal = document.get("blank", {}).get("metal", "copper")
        document["name"] = f"{jar.colour} on {metal}"
    return document.as_string()


def _put(document: Any, table: str, values: dict[str, Any]) -> None:
    given = {key: value for key, value in values.items() if value not in (None, "")}
    if given:
        table_of(document, table).update(given)
