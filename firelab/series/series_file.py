"""series.toml and the ready designs: read with every fault at once, each with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from firelab.craft.materials import is_gauge
from firelab.craft.units import format_temperature
from firelab.errors import FaultyFile, Finding, FirelabError, UsageError
from firelab.series.accepted_words import with_file_keys
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIRST_DESIGN,
    SERIES_FILE,
    propose_mark,
    sha256_of,
    write_atomically,
)
from firelab.series.history import HISTORY_FILE, learned_prior
from firelab.series.toml_file import (
    declared_value,
    finding_at,
    parse_toml,
    read_declared,
)


def _designs_folder() -> Path:
    """Return the folder of ready designs: the wheel's, or the checkout's."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "designs"
    return shipped if shipped.is_dir() else package.parent / "designs"


def design_names() -> tuple[str, ...]:
    """Return the names of all ready designs, sorted.

    Examples
    --------
    >>> import firelab
    >>> firelab.design_names()[-1]
    'tile-by-tile'
    """
    return tuple(sorted(path.stem for path in _designs_folder().glob("*.toml")))


def design_path(name: str) -> Path:
    """Return the file of a ready design.

    Raises
    ------
    UsageError
        If there is no design of that name.
    """
    path = _designs_folder() / f"{name}.toml"
    if name not in design_names():
        raise UsageError(
            f"there is no design {name!r}", hint=f"one of {', '.join(design_names())}"
        )
    return path


def start_series(folder: str | Path, design: str = FIRST_DESIGN, *, text: str = "") -> Path:
    """Start a series folder from a ready design, with a mark of its own.

    Parameters
    ----------
    folder : str or Path
        Made where it is not there; it must not hold a series.
    design : str
        Name of a ready design.
    text : str, optional
        Of series.toml, in place of the design's.

    Returns
    -------
    Path
        The series.toml, to be edited.

    Raises
    ------
    UsageError
        If there is no such design, or a series already.

    Examples
    --------
    >>> import tempfile
    >>> import firelab
    >>> firelab.start_series(tempfile.mkdtemp()).name
    'series.toml'
    """
    base = Path(folder)
    target = base / SERIES_FILE
    text = text or design_path(design).read_text(encoding="utf-8")
    if target.exists():
        raise UsageError(
            "there is a series already",
            str(target),
            "name a new folder for a new series",
        )
    base.mkdir(parents=True, exist_ok=True)
    line = f'mark = "{propose_mark(base)}"\nname = '
    write_atomically(target, re.sub(r"(?m)^name = ", line, text, count=1))
    return target


def read_series(folder: str | Path) -> FiringSeries:
    """Read the series of a folder.

    Parameters
    ----------
    folder : str or Path
        The series folder, or its ``series.toml``.

    Raises
    ------
    FaultyFile
        With every fault found, each with its line.
    FirelabError
        If there is no ``series.toml``.

    Examples
    --------
    >>> from firelab.series.series_file import design_path
    >>> read_series(design_path("quick-look")).enamel.kind
    'opaque'
    """
    path, text = read_declared(
        folder,
        SERIES_FILE,
        what="series",
        begin="start one with: firelab new FOLDER --from DESIGN",
    )
    series, findings = parse_series(text, file=path.name)
    if series is None:
        raise FaultyFile(findings)
    return _with_history(series, path, text)


def _with_history(series: FiringSeries, path: Path, text: str) -> FiringSeries:
    """Return a series with what the history that it names says of it.

    The history is a file of the folder itself, so that the folder is whole wherever it
    goes.
    """
    name = series.priors.history
    if not name:
        return series
    grades = series.responses.stage.grades
    kind, metal = series.enamel.kind, series.blank.metal
    try:
        if name != HISTORY_FILE:
            raise FirelabError(
                f"is not {HISTORY_FILE} of this folder",
                hint="copy the history into it, as firelab new --like STUDIO does",
            )
        own = learned_prior(path.parent / name, kind=kind, metal=metal, grades=grades)
    except FirelabError as fault:
        key = ("priors", "history")
        what = f"{name}: {fault.what}"
        found = finding_at("no-history", key, text, path.name, what, fault.hint)
        raise FaultyFile([found]) from None
    return replace(series, priors=replace(series.priors, learned=own))


def series_hash(folder: str | Path) -> str:
    """Return the SHA-256 of a folder's series.toml, as 64 hex digits."""
    path = Path(folder)
    return sha256_of(path / SERIES_FILE if path.is_dir() else path)


def parse_series(
    text: str, *, file: str = SERIES_FILE
) -> tuple[FiringSeries | None, list[Finding]]:
    """Read a series from text; return it, or None with all its faults."""
    stated, faults = parse_toml(text, file)
    if stated is None:
        return None, faults
    declared, twice = with_file_keys(stated)
    findings = _word_findings(declared, twice, text, file)
    series, faults = declared_value(FiringSeries, declared, text, file)
    if series is None:
        return None, findings + faults
    findings += _cross_findings(series, text, file)
    return (None if findings else series), findings


PLACEHOLDERS = {
    "enamel.colour": "name of the colour",
    "plan.control.colour": "a colour you know",
}
"""What the ready designs write where only the studio knows the words."""


def placeholder_findings(text: str) -> list[Finding]:
    """Name each line of a series that still holds the words of a ready design."""
    found = []
    for key, words in PLACEHOLDERS.items():
        value: Any = with_file_keys(tomllib.loads(text))[0]
        for part in key.split("."):
            value = value.get(part, {})
        if value == words:
            found.append(
                finding_at(
                    "placeholder",
                    key.split("."),
                    text,
                    SERIES_FILE,
                    f"{words!r} is not a name yet",
                    f'write what you call it: {key.rpartition(".")[2]} = "marsh green"',
                )
            )
    return found


def _word_findings(
    declared: dict[str, Any], twice: Sequence[Sequence[str | int]], text: str, file: str
) -> list[Finding]:
    """Name what no single value can show: a thing said by two words, steel by gauge."""
    words = "is stated twice, by two words for one thing"
    found = [
        finding_at("said-twice", path, text, file, words, "keep one of the two lines")
        for path in twice
    ]
    blank = declared.get("blank")
    blank = blank if isinstance(blank, dict) else {}
    metal, thickness = (str(blank.get(key, "")) for key in ("metal", "thickness"))
    if metal.strip().casefold() == "steel" and is_gauge(thickness):
        found.append(
            finding_at(
                "gauge-of-steel",
                ("blank", "thickness"),
                text,
                file,
                f"{thickness!r} is a gauge, and steel has another than copper and silver",
                'measure it: thickness = "0.8 mm"',
            )
        )
    return found


def _cross_findings(series: FiringSeries, text: str, file: str) -> list[Finding]:
    findings = []
    hottest = series.span("temperature")[1]
    if hottest > series.hottest_degC:
        findings.append(
            finding_at(
                "too-hot-for-metal",
                ("factors", "temperature"),
                text,
                file,
                f"{format_temperature(hottest)} is above "
                f"{format_temperature(series.hottest_degC)}, the hottest for "
                f"{series.blank.metal}",
                "lower the highest temperature, or correct blank.metal",
            )
        )
    known = ", ".join(str(level) for level in series.factors.mesh.levels)
    findings += [
        finding_at(
            "grams-of-unused-mesh",
            ("budget", "grams"),
            text,
            file,
            f"{mesh} mesh is not a level of mesh ({known})",
            "add the mesh to factors.mesh, or remove its grams",
        )
        for mesh in series.budget.grams
        if mesh not in series.factors.mesh.levels
    ]
    return findings
