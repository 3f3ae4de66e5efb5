"""Every fault of a studio folder at once: its own files, and every series in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from firelab.craft.trade_words import count_words
from firelab.errors import FaultyFile, Finding, FirelabError
from firelab.memory.studio import (
    STUDIO_FILE,
    Studio,
    read_studio,
    series_folders,
)
from firelab.memory.studio_tables import JARS_FILE, TILES_FILE, Jar, read_jars, read_stored
from firelab.records.folder_check import FolderCheck, check_folder
from firelab.series.folder import SERIES_FILE
from firelab.series.series_file import read_series


def check_studio(folder: str | Path) -> FolderCheck:
    """Look through a studio folder: studio.toml, jars.csv, tiles.csv and every series.

    The findings of a series stand under its folder's name, and what comes next there
    in its line of what is there.

    Raises
    ------
    FirelabError
        If there is no studio in it.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> studio = firelab.start_studio(tempfile.mkdtemp())
    >>> len(firelab.check_studio(studio.parent).findings)
    0
    """
    base = Path(folder)
    findings: list[Finding] = []
    standing: list[str] = []
    studio: Studio | None = None
    jars: dict[str, Jar] = {}
    try:
        studio = read_studio(base)
        kilns = count_words(len(studio.kilns), "kiln")
        standing.append(f"{STUDIO_FILE}: {studio.name}, {kilns}")
    except FaultyFile as fault:
        findings += fault.findings
    try:
        jars = read_jars(base)
        standing.append(f"{JARS_FILE}: {count_words(len(jars), 'jar')}")
    except FaultyFile as fault:
        findings += fault.findings
    try:
        if stored := read_stored(base):
            standing.append(f"{TILES_FILE}: {count_words(len(stored), 'row')}")
    except FaultyFile as fault:
        findings += fault.findings
    for place in series_folders(base):
        found = check_folder(place)
        own = [*found.findings, *_strangers(place, studio, jars)]
        findings += [replace(one, file=f"{place.name}/{one.file}") for one in own]
        after = count_words(len(own), "fault") if own else f"next: {found.next_step}"
        standing.append(f"{place.name}: {after}")
    return FolderCheck(findings=tuple(findings), standing=tuple(standing))


def _strangers(place: Path, studio: Studio | None, jars: dict[str, Jar]) -> list[Finding]:
    """Name the kiln and jar of a series that its studio does not have."""
    try:
        series = read_series(place)
    except FirelabError:
        return []
    found = []
    if studio and studio.kilns and series.kiln.name:
        names = [one.name for one in studio.kilns]
        if series.kiln.name not in names:
            words = f"kiln {series.kiln.name!r} is not in {STUDIO_FILE}"
            found.append(("unknown-kiln", words, f"one of {', '.join(names)}"))
    if jars and series.enamel.jar and series.enamel.jar not in jars:
        words = f"jar {series.enamel.jar!r} is not in {JARS_FILE}"
        found.append(("unknown-jar", words, "add it there, or correct [enamel] jar"))
    return [
        Finding(code=code, file=SERIES_FILE, message=words, hint=hint)
        for code, words, hint in found
    ]
