"""series.toml and the ready designs: read with every fault at once, each with its line."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from firelab.craft.units import format_temperature
from firelab.errors import FaultyFile, Finding, FirelabError, UsageError, neighbours_hint
from firelab.series.factors import FROM_FILE
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import SERIES_FILE, sha256_of


def designs_folder() -> Path:
    """Return the folder of ready designs: the wheel's, or the checkout's."""
    package = Path(__file__).resolve().parents[1]
    shipped = package / "designs"
    return shipped if shipped.is_dir() else package.parent / "designs"


def design_names() -> tuple[str, ...]:
    """Return the names of all ready designs, sorted."""
    return tuple(sorted(path.stem for path in designs_folder().glob("*.toml")))


def design_path(name: str) -> Path:
    """Return the file of a ready design.

    Raises
    ------
    UsageError
        If there is no design of that name.
    """
    path = designs_folder() / f"{name}.toml"
    if name not in design_names():
        raise UsageError(
            f"there is no design {name!r}", hint=f"one of {', '.join(design_names())}"
        )
    return path


_HEADER = re.compile(r"^\s*\[(\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^(\s*)([A-Za-z0-9_.\"'-]+)\s*=")


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def locate(text: str, path: Sequence[str | int]) -> tuple[int, int]:
    r"""Return line and column, from 1, of the deepest part of a path found.

    Parameters
    ----------
    text : str
        The whole file.
    path : sequence of str or int
        Keys from the outside in; an int is the place in an array of tables.

    Returns
    -------
    tuple of (int, int)
        (1, 1) where no part of the path is in the file.

    Examples
    --------
    >>> locate("a = 1\n[b]\nc = 2\n", ["b", "c"])
    (3, 1)
    """
    wanted = [str(part) for part in path]
    best, place = 0, (1, 1)
    table: list[str] = []
    counts: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            table = _parts(header[2])
            if header[1]:
                dotted = ".".join(table)
                table = [*table, str(counts.get(dotted, 0))]
                counts[dotted] = counts.get(dotted, 0) + 1
            here, column = table, 1
        elif key:
            here, column = [*table, *_parts(key[2])], len(key[1]) + 1
        else:
            continue
        if len(here) > best and here == wanted[: len(here)]:
            best, place = len(here), (number, column)
    return place


def read_series(folder: str | Path) -> FiringSeries:
    """Read the series of a folder.

    Parameters
    ----------
    folder : str or Path
        The series folder, or its ``series.toml``.

    Returns
    -------
    FiringSeries

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
    path = Path(folder)
    path = path / SERIES_FILE if path.is_dir() else path
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError:
        near = neighbours_hint(str(folder)).partition("hint: ")[2]
        raise FirelabError(
            "there is no series here",
            str(path),
            near or "start one with: firelab new FOLDER --from DESIGN",
        ) from None
    except UnicodeDecodeError as fault:
        raise FirelabError(
            f"is not UTF-8 text at byte {fault.start}", str(path), "save it as UTF-8"
        ) from None
    series, findings = parse_series(text, file=path.name)
    if series is None:
        raise FaultyFile(findings)
    return series


def series_hash(folder: str | Path) -> str:
    """Return the SHA-256 of a folder's series.toml, as 64 hex digits."""
    path = Path(folder)
    return sha256_of(path / SERIES_FILE if path.is_dir() else path)


def parse_series(
    text: str, *, file: str = SERIES_FILE
) -> tuple[FiringSeries | None, list[Finding]]:
    """Read a series from text; return it, or None with all its faults."""
    try:
        declared = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        return None, [_syntax_finding(fault, file)]
    try:
        series = TypeAdapter(FiringSeries).validate_python(declared, context=FROM_FILE)
    except ValidationError as fault:
        return None, [_finding(error, text, file) for error in fault.errors()]
    findings = _cross_findings(series, text, file)
    return (None if findings else series), findings


def _syntax_finding(fault: tomllib.TOMLDecodeError, file: str) -> Finding:
    message = str(fault)
    line, column = 1, 1
    if "(at line " in message:
        message, place = message.rsplit(" (at line ", 1)
        line, column = (int(word) for word in place.rstrip(")").split(", column "))
    return Finding(
        code="toml-syntax",
        file=file,
        line=line,
        column=column,
        message=f"is not TOML: {message}",
        hint='write text in quotes, such as low = "1400 degF"',
    )


def _finding(error: Any, text: str, file: str) -> Finding:
    line, column = locate(text, error["loc"])
    name = ".".join(str(part) for part in error["loc"])
    message, hint = _words(error, name)
    return Finding(
        code=str(error["type"]).replace("_", "-"),
        file=file,
        line=line,
        column=column,
        message=f"{name}: {message}",
        hint=hint,
    )


def _words(error: Any, name: str) -> tuple[str, str]:
    kind, given = error["type"], error.get("input")
    if kind == "value_error":
        message, _, hint = str(error["ctx"]["error"]).partition("\n  hint: ")
        if not hint:
            message, _, hint = message.partition("; ")
        return message, hint
    if kind in ("missing", "missing_keyword_only_argument"):
        return "is missing", f"add {name} to the file"
    if kind in ("unexpected_keyword_argument", "extra_forbidden"):
        if name in _RENAMED:
            return "is now stated in degrees", _RENAMED[name]
        return "is not a key of a series", _place_of(name)
    return f"{error['msg'][0].lower()}{error['msg'][1:]}, not {given!r}", "change the value"


_RENAMED = {
    "priors.load_sd": 'write load = "5 degF", the deviation between loads of a session',
    "priors.tile_sd": 'write tile = "11 degF", the deviation between tiles looked at again',
}
"""Keys of earlier series files, and what takes their place."""


_SYNONYMS = {
    "coats": "factors.layers",
    "coat": "factors.layers",
    "time": "factors.dwell",
    "temp": "factors.temperature",
    "gauge": "blank.thickness",
    "color": "enamel.colour",
    "kiln_unit": "kiln.reads",
    "tiles": "plan.tiles",
}
"""Words of the trade for keys (common practice, no source)."""


def _place_of(name: str) -> str:
    """Say where in the file a key that is not known belongs, the table named."""
    table, _, key = name.rpartition(".")
    keys = _known_keys()
    at = sorted(path for path in keys if path.rpartition(".")[2] == key)
    if not at and key in _SYNONYMS:
        at = [_SYNONYMS[key]]
    if not at:
        # Of keys alike, one of the same table comes first.
        beside = [path for path in keys if path.rpartition(".")[0] == table]
        for paths in (beside, keys):
            names = [path.rpartition(".")[2] for path in paths]
            near = difflib.get_close_matches(key, names, n=1)
            if near:
                at = [paths[names.index(near[0])]]
                break
    if not at:
        return "remove it"
    home, _, word = at[0].rpartition(".")
    under = f"under [{home}]" if home else "above the first table"
    return f"{word} goes {under}" if word == key else f"did you mean {word}, {under}?"


def _known_keys() -> list[str]:
    """Return every key of a series with its table, such as ``preparation.counter``."""
    schema = TypeAdapter(FiringSeries).json_schema()
    tables, found = schema.get("$defs", {}), []

    def walk(table: dict[str, Any], path: str) -> None:
        for key, value in table.get("properties", {}).items():
            found.append(f"{path}{key}")
            kinds = [value, *value.get("anyOf", []), *value.get("allOf", [])]
            for name in (
                kind["$ref"].rsplit("/", 1)[-1] for kind in kinds if "$ref" in kind
            ):
                walk(tables[name], f"{path}{key}.")

    walk(schema, "")
    return found


def _cross_findings(series: FiringSeries, text: str, file: str) -> list[Finding]:
    findings = []
    hottest = series.span("temperature")[1]
    if hottest > series.hottest_degC:
        line, column = locate(text, ["factors", "temperature"])
        findings.append(
            Finding(
                code="too-hot-for-metal",
                file=file,
                line=line,
                column=column,
                message=(
                    f"factors.temperature: {format_temperature(hottest)} is above "
                    f"{format_temperature(series.hottest_degC)}, the hottest for "
                    f"{series.blank.metal}"
                ),
                hint="lower the highest temperature, or correct blank.metal",
            )
        )
    for mesh in series.budget.grams:
        if mesh not in series.factors.mesh.levels:
            line, column = locate(text, ["budget", "grams"])
            known = ", ".join(str(level) for level in series.factors.mesh.levels)
            findings.append(
                Finding(
                    code="grams-of-unused-mesh",
                    file=file,
                    line=line,
                    column=column,
                    message=f"budget.grams: {mesh} mesh is not a level of mesh ({known})",
                    hint="add the mesh to factors.mesh, or remove its grams",
                )
            )
    return findings
