"""A studio: its kilns, its people, its jars; series are its sub-folders.

``studio.toml`` says what is the same for every series, ``jars.csv`` what stands on the
shelf. A series folder finds its studio above it, and works as well without one.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import fields
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

import tomlkit
from pydantic import BeforeValidator, Field, model_validator
from pydantic.dataclasses import dataclass

from firelab.errors import FaultyFile, Finding, FirelabError, UsageError
from firelab.memory.studio_tables import JAR_COLUMNS, JARS_FILE, Jar
from firelab.records.brief_tables import parse_read_wrong
from firelab.series.declared_parts import Count
from firelab.series.factors import STRICT, AsUnit, Seconds
from firelab.series.folder import SERIES_FILE, write_atomically
from firelab.series.toml_file import (
    declared_value,
    finding_at,
    parse_toml,
    read_declared,
    table_of,
)
from firelab.sheets.labels import parse_label_stock

Read = TypeVar("Read")
STUDIO_FILE = "studio.toml"

_START = """\
# What is the same for every series of a studio. Series are folders beside this file;
# jars.csv lists what stands on the shelf. What is left out is left to each series.
schema = "firelab/studio/1"
name = "{name}"
# Initials of those who grade.
people = []
# Size of the labels that you buy; cut: printed on paper with lines to cut along.
label_stock = "cut"

[[kilns]]
name = "kiln"
reads = "degF"
step = 5
# places = 4

# What a kiln read wrong, from which day on: a new thermocouple, a new element.
# [[corrections]]
# kiln = "kiln"
# since = 2026-01-31
# reads = "12 degF high"
# because = "new thermocouple"
"""


def _read_wrong(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return parse_read_wrong(value)
    except UsageError as fault:
        raise ValueError(str(fault)) from fault


ReadsWrong = Annotated[float, BeforeValidator(_read_wrong)]
"""How much too high a kiln reads, degC; below 0 where too low."""


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class StudioKiln:
    """A kiln of the studio.

    Attributes
    ----------
    name : str
    reads : {'degF', 'degC'}
        Unit of its display.
    step : float
        Smallest change worth setting, in that unit.
    dwell_step : float
        Smallest change of dwell worth timing, s.
    places : int or None
        Tiles that fit into one load.
    """

    name: Annotated[str, Field(min_length=1)]
    reads: Annotated[Literal["degC", "degF"], AsUnit] = "degF"
    step: Annotated[float, Field(gt=0, le=50)] = 5.0
    dwell_step: Seconds = 5.0
    places: Count | None = None


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Correction:
    """What a kiln reads wrong from a day on; a later one takes its place.

    Attributes
    ----------
    kiln : str
        By its name.
    since : date
        The first day on which it holds.
    reads : float
        How much too high the kiln reads, degC, against how it read at first.
    because : str
    """

    kiln: str
    since: date
    reads: ReadsWrong
    because: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Studio:
    """What is the same for every series of a studio: ``studio.toml``.

    Attributes
    ----------
    name : str
    kilns : tuple of StudioKiln
        The first is the one of a new series.
    corrections : tuple of Correction
    people : tuple of str
        Initials of those who grade.
    label_stock : str
        As `firelab.sheets.labels.parse_label_stock` reads it.
    """

    name: Annotated[str, Field(min_length=1)]
    schema: Literal["firelab/studio/1"] = "firelab/studio/1"
    kilns: tuple[StudioKiln, ...] = ()
    corrections: tuple[Correction, ...] = ()
    people: tuple[str, ...] = ()
    label_stock: str = "cut"

    @model_validator(mode="after")
    def _check(self) -> Self:
        for what, names in (
            ("kilns", [one.name for one in self.kilns]),
            ("people", list(self.people)),
        ):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                raise ValueError(f"{what} name {twice[0]!r} twice; name each once")
        return self

    def kiln(self, name: str = "") -> StudioKiln | None:
        """Return a kiln by its name, the first where none is named; None without kilns.

        Raises
        ------
        UsageError
            If there is no kiln of that name.
        """
        if not name:
            return self.kilns[0] if self.kilns else None
        found = next((one for one in self.kilns if one.name == name), None)
        if found is None:
            known = ", ".join(one.name for one in self.kilns) or "none"
            raise UsageError(f"there is no kiln {name!r} (there are: {known})")
        return found

    def correction_degC(self, kiln: str, day: date) -> float:
        """Return how much too high a kiln read on a day, degC; 0 before any correction."""
        known = [one for one in self.corrections if one.kiln == kiln and one.since <= day]
        # Of two from one day the later entry holds.
        return sorted(known, key=lambda one: one.since)[-1].reads if known else 0.0


def start_studio(folder: str | Path) -> Path:
    """Start a studio folder: a studio.toml to be edited, and an empty jars.csv.

    Raises
    ------
    UsageError
        If there is a studio already.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> firelab.start_studio(tempfile.mkdtemp()).name
    'studio.toml'
    """
    base = Path(folder)
    target = base / STUDIO_FILE
    if target.exists():
        raise UsageError("there is a studio already", str(target), "edit its studio.toml")
    base.mkdir(parents=True, exist_ok=True)
    name = base.resolve().name.replace("\\", "").replace('"', "") or "studio"
    if not (base / JARS_FILE).exists():
        write_atomically(base / JARS_FILE, ",".join(JAR_COLUMNS) + "\n")
    write_atomically(target, _START.format(name=name))
    return target


def find_studio(folder: str | Path) -> Path | None:
    """Return the nearest folder at or above one that holds a studio.toml."""
    own = Path(folder).resolve()
    return next((one for one in (own, *own.parents) if (one / STUDIO_FILE).is_file()), None)


def stated_label_stock(folder: str | Path) -> str:
    """Return the label stock of the studio that a folder is in; cut where it is in none."""
    home = find_studio(folder)
    return read_studio(home).label_stock if home is not None else "cut"


def series_folders(studio: str | Path) -> tuple[Path, ...]:
    """Return the series of a studio: its sub-folders that hold a series.toml."""
    return tuple(path.parent for path in sorted(Path(studio).glob(f"*/{SERIES_FILE}")))


def read_each(
    places: Iterable[Path], read: Callable[[Path], Read]
) -> tuple[list[Read], list[str]]:
    """Read what can be read of some series, and say of the others why not, a line each."""
    found, left_out = [], []
    for place in places:
        try:
            found.append(read(place))
        except FaultyFile as fault:
            left_out.append(f"{place.name}: {len(fault.findings)} faults")
        except FirelabError as fault:
            left_out.append(f"{place.name}: {fault.what}")
    return found, left_out


def read_studio(folder: str | Path) -> Studio:
    """Read the studio.toml of a folder.

    Raises
    ------
    FirelabError
        If there is none.
    FaultyFile
        With every fault found, each with its line.
    """
    _, text = read_declared(
        folder,
        STUDIO_FILE,
        what="studio",
        begin="start one: firelab new FOLDER --studio",
    )
    studio, findings = parse_studio(text)
    if studio is None:
        raise FaultyFile(findings)
    return studio


def parse_studio(text: str) -> tuple[Studio | None, list[Finding]]:
    """Read a studio from text; return it, or None with all its faults."""
    stated, findings = parse_toml(text, STUDIO_FILE)
    if stated is None:
        return None, findings
    studio, findings = declared_value(Studio, stated, text, STUDIO_FILE, unknown=_unknown)
    if studio is not None:
        findings = _cross_findings(studio, text)
    return (None if findings else studio), findings


def _cross_findings(studio: Studio, text: str) -> list[Finding]:
    """Name a stock that no printer knows, and corrections of kilns that are not there."""
    found: list[tuple[str, tuple[str, ...], str, str]] = []
    names = [one.name for one in studio.kilns]
    listed = ", ".join(names) or "none"
    try:
        parse_label_stock(studio.label_stock)
    except FirelabError as fault:
        found.append(("label-stock", ("label_stock",), fault.what, fault.hint))
    for place, one in enumerate(studio.corrections):
        if one.kiln not in names:
            words = f"there is no kiln {one.kiln!r} (there are: {listed})"
            where = ("corrections", str(place), "kiln")
            found.append(("unknown-kiln", where, words, "name one of [[kilns]]"))
    return [
        finding_at(code, where, text, STUDIO_FILE, words, hint)
        for code, where, words, hint in found
    ]


def _unknown(name: str) -> tuple[str, str]:
    table, _, key = name.rpartition(".")
    kind = {"kilns": StudioKiln, "corrections": Correction}.get(table.partition(".")[0])
    keys = [field.name for field in fields(kind or Studio)]
    near = difflib.get_close_matches(key, keys, n=1)
    hint = f"did you mean {near[0]}?" if near else f"its keys are {', '.join(keys)}"
    return "is not a key of a studio", hint


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
