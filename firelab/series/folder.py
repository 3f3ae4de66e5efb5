"""The files of a series folder: names, hashes, whole writes, the series' mark."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import metadata
from itertools import product
from math import isfinite
from pathlib import Path
from typing import Any

from firelab.craft.tile_codes import ALPHABET
from firelab.errors import FirelabError

SERIES_FILE = "series.toml"
PLAN_TABLE = "plan.csv"
PLAN_FILE = "plan.json"
FIRINGS_FILE = "firings.csv"
SHEETS_FILE = "sheets.pdf"
FIT_FILE = "fit.json"
WINDOWS_FILE = "windows.json"
WINDOWS_TABLE = "windows.csv"
NEXT_FILE = "next.csv"
REPORT_FILE = "report.html"
TRACES_FOLDER = "traces"
PHOTOS_FOLDER = "photos"
FIGURES_FOLDER = "figures"
MADE_BY = {FIT_FILE: "fit", WINDOWS_FILE: "windows"}
"""Files that are made from the records, and the commands that make them."""
FIRST_DESIGN = "tile-by-tile"
"""What a jar of one's own begins with where nothing else is asked: the fewest tiles."""
INVENTED = "Invented demonstration data: no tile was fired."

_REPORTED_VERSIONS = ("firelab", "numpy", "scipy", "pandas", "statsmodels", "pyDOE3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """What a result came from.

    Attributes
    ----------
    series_hash : str
        SHA-256 of series.toml.
    seed : int
        Seed of the random choices.
    versions : dict
        Package name to version.
    sources : dict
        File name to SHA-256 of what else was read, such as firings.csv.
    parts : dict
        Key of series.toml, or file of the records, to a short hash of what was taken
        from it (see `firelab.series.what_matters`, `firelab.records.what_changed`): what
        decides whether a result is stale.
    """

    series_hash: str
    seed: int
    versions: Mapping[str, str]
    sources: Mapping[str, str]
    parts: Mapping[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the provenance as plain values."""
        return {
            "series_hash": self.series_hash,
            "seed": self.seed,
            "versions": dict(self.versions),
            "sources": dict(self.sources),
            "parts": dict(self.parts),
        }


def versions() -> dict[str, str]:
    """Return the versions that a result depends on."""
    return {name: _version_of(name) for name in _REPORTED_VERSIONS}


@lru_cache
def _version_of(name: str) -> str:
    """Read a version once: a shelf of ten thousand bundles asks as often."""
    return metadata.version(name)


def sha256_of(path: str | Path) -> str:
    """Return the SHA-256 of a file, as 64 hex digits."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def stale_sources(folder: str | Path, sources: Mapping[str, str]) -> list[str]:
    """Name the files that have changed, or gone, since a result was made.

    Parameters
    ----------
    folder : str or Path
        The series folder.
    sources : mapping of str to str
        File name to the SHA-256 it had.
    """
    base = Path(folder)
    return [
        name
        for name, digest in sources.items()
        if not (base / name).is_file() or sha256_of(base / name) != digest
    ]


def trace_files(folder: str | Path) -> dict[int, Path]:
    """Return the files that hold traces of loads, by load: ``load-3.csv`` is of load 3."""
    named = sorted(Path(folder).glob(f"{TRACES_FOLDER}/load-*.csv"))
    return {int(n): path for path in named if (n := path.stem[5:]).isdecimal()}


def write_atomically(path: str | Path, content: str | bytes) -> None:
    """Write a file whole or not at all: a reader never sees half of it."""
    target = Path(path)
    raw = content.encode("utf-8") if isinstance(content, str) else content
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(raw)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o644)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def plain_rows(frame: Any) -> list[dict[str, Any]]:
    """Return the rows of a frame as plain values, None where there is no finite number."""
    return [
        {
            str(key): None if isinstance(value, float) and not isfinite(value) else value
            for key, value in row.items()
        }
        for row in frame.to_dict("records")
    ]


DEEPEST_NESTING = 50
"""Levels of a JSON or TOML file; those of firelab have at most ten (chosen here, no
source)."""


class FaultyJson(FirelabError, ValueError):
    """A file is not JSON that can be read.

    Parameters
    ----------
    what : str
        The fault.
    file : str
        Its name.
    line, column : int, default 0
        One-based place, where it has one.
    """

    def __init__(self, what: str, file: str, line: int = 0, column: int = 0) -> None:
        super().__init__(what, file, "put it back as it was, or make it anew")
        self.line, self.column = line, column


def is_nested_deeper(content: Any, levels: int) -> bool:
    """Tell whether lists and mappings stand in one another deeper than so many levels.

    Examples
    --------
    >>> is_nested_deeper({"a": [[1]]}, 3), is_nested_deeper({"a": [[1]]}, 2)
    (False, True)
    """
    layer = [content]
    for _ in range(levels + 1):
        inner = [
            one.values() if isinstance(one, dict) else one
            for one in layer
            if isinstance(one, dict | list)
        ]
        layer = [one for held in inner for one in held]
        if not inner:
            return False
    return True


def read_json(content: bytes, file: str) -> Any:
    """Return the plain values of a JSON file.

    Raises
    ------
    FaultyJson
        If it is not JSON in UTF-8, or nested too deeply; a ValueError too.
    """
    too_deep = FaultyJson(f"is nested deeper than {DEEPEST_NESTING} levels", file)
    try:
        stored = json.loads(content.decode("utf-8-sig"))
    except json.JSONDecodeError as fault:
        what = f"is not JSON: {fault.msg}"
        raise FaultyJson(what, file, fault.lineno, fault.colno) from None
    except UnicodeDecodeError:
        raise FaultyJson("is not UTF-8 text", file) from None
    except RecursionError:
        raise too_deep from None
    if is_nested_deeper(stored, DEEPEST_NESTING):
        raise too_deep
    return stored


def json_text(content: Any) -> str:
    """Write plain values as JSON: stable order, no nan, a newline at the end."""
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


MARK_LENGTH = 2
"""Symbols: 121 series in one studio, and short enough to be scratched."""


def marked_code(mark: str, code: str) -> str:
    """Return a tile's code with the mark of its series.

    Examples
    --------
    >>> marked_code("KE", "AEX"), marked_code("", "AEX")
    ('KE-AEX', 'AEX')
    """
    return f"{mark}-{code}" if mark else code


def neighbour_marks(folder: str | Path) -> dict[str, str]:
    """Return the marks of the other series in the same parent folder."""
    own = Path(folder).resolve()
    marks: dict[str, str] = {}
    for path in sorted(own.parent.glob(f"*/{SERIES_FILE}")):
        if path.parent.resolve() == own:
            continue
        try:
            declared = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError, RecursionError):
            continue  # a faulty neighbour is its own folder's finding
        if isinstance(declared.get("mark"), str):
            marks.setdefault(declared["mark"], path.parent.name)
    return marks


def propose_mark(folder: str | Path) -> str:
    """Return a mark that no neighbour has: the same for the same folder and neighbours."""
    marks = ["".join(symbols) for symbols in product(ALPHABET, repeat=MARK_LENGTH)]
    name = Path(folder).resolve().name
    start = int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big") % len(marks)
    taken = neighbour_marks(folder)
    return next((one for one in marks[start:] + marks[:start] if one not in taken), "")
