"""A TOML file as a declared value: every fault at once, each with its line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import tomlkit
from pydantic import TypeAdapter, ValidationError

from firelab.errors import Finding, FirelabError, neighbours_hint
from firelab.series.accepted_words import (
    file_key,
    known_keys,
    under_words,
    unknown_key_words,
)
from firelab.series.factors import FROM_FILE
from firelab.series.folder import DEEPEST_NESTING, is_nested_deeper

Declared = TypeVar("Declared")

_HEADER = re.compile(r"^\s*\[(\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^(\s*)([A-Za-z0-9_.\"' -]+?)\s*=")


def read_declared(
    folder: str | Path, name: str, *, what: str, begin: str
) -> tuple[Path, str]:
    """Return the path and the text of a folder's declaration.

    Parameters
    ----------
    folder : str or Path
        The folder, or the file itself.
    name : str
        Of the file.
    what, begin : str
        What it declares, and how to begin one, as a person is told.

    Raises
    ------
    FirelabError
        If there is none, or it is not UTF-8.
    """
    path = Path(folder)
    path = path / name if path.is_dir() else path
    try:
        return path, path.read_text(encoding="utf-8-sig")
    except OSError:
        near = neighbours_hint(str(folder)).partition("hint: ")[2]
        raise FirelabError(f"there is no {what} here", str(path), near or begin) from None
    except UnicodeDecodeError as fault:
        raise FirelabError(
            f"is not UTF-8 text at byte {fault.start}", str(path), "save it as UTF-8"
        ) from None


def table_of(document: Any, name: str) -> Any:
    """Return a table of a TOML document that keeps its comments, added where it is not."""
    if name not in document:
        document[name] = tomlkit.table()
    return document[name]


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


def locate(text: str, path: Sequence[str | int]) -> tuple[int, int]:
    r"""Return line and column, from 1, of the deepest part of a path found.

    Parameters
    ----------
    text : str
        The whole file.
    path : sequence of str or int
        Keys from the outside in; an int is the place in an array of tables. A key
        that was written by another word of the trade is found by the file's own.

    Returns
    -------
    tuple of (int, int)
        (1, 1) where no part of the path is in the file.

    Examples
    --------
    >>> locate("a = 1\n[b]\nc = 2\n", ["b", "c"])
    (3, 1)
    """
    wanted = tuple(str(part) for part in path)
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
        own = file_key(here)
        if len(own) > best and own == wanted[: len(own)]:
            best, place = len(own), (number, column)
    return place


def parse_toml(text: str, file: str) -> tuple[dict[str, Any] | None, list[Finding]]:
    """Return what a TOML text declares, or None with why it is not TOML."""
    try:
        declared = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        return None, [_syntax_finding(fault, file)]
    except RecursionError:
        return None, [_nested_finding(file)]
    if is_nested_deeper(declared, DEEPEST_NESTING):
        return None, [_nested_finding(file)]
    return declared, []


def declared_value(
    kind: type[Declared],
    declared: dict[str, Any],
    text: str,
    file: str,
    *,
    unknown: Callable[[str], tuple[str, str]] = unknown_key_words,
) -> tuple[Declared | None, list[Finding]]:
    """Return what a file declares as a value of a kind, or None with all its faults.

    Parameters
    ----------
    kind : type
        A declared part, such as `FiringSeries`.
    declared : dict
        As `parse_toml` returned it, under the file's own keys.
    text : str
        Of the file, where the faults are placed.
    file : str
        Name for findings.
    unknown : callable
        Says of a key that there is none of that name, and what to do.
    """
    try:
        return TypeAdapter(kind).validate_python(declared, context=FROM_FILE), []
    except ValidationError as fault:
        # A list is short only of what was faulty in it: the fault itself is told.
        inside = {error["loc"][:-1] for error in fault.errors()}
        own = [
            error
            for error in fault.errors()
            if error["type"] != "too_short" or error["loc"] not in inside
        ]
        return None, [_finding(error, text, file, unknown) for error in own]


def _nested_finding(file: str) -> Finding:
    return Finding(
        code="toml-nested",
        file=file,
        message=f"is nested deeper than {DEEPEST_NESTING} levels",
        hint="it has tables of values, as firelab new writes them",
    )


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


def finding_at(
    code: str, path: Sequence[str | int], text: str, file: str, message: str, hint: str
) -> Finding:
    """Return a finding at the line of the deepest part of a path that is in the text."""
    line, column = locate(text, path)
    name = ".".join(str(part) for part in path)
    return Finding(
        code=code,
        file=file,
        line=line,
        column=column,
        message=f"{name}: {message}",
        hint=hint,
    )


UnknownKey = Callable[[str], tuple[str, str]]


def _finding(error: Any, text: str, file: str, unknown: UnknownKey) -> Finding:
    path = error["loc"]
    message, hint = _words(error, ".".join(str(part) for part in path), unknown)
    code = str(error["type"]).replace("_", "-")
    return finding_at(code, path, text, file, message, hint)


def _words(error: Any, name: str, unknown: UnknownKey) -> tuple[str, str]:
    kind, given = error["type"], error.get("input")
    if kind == "value_error":
        message, _, hint = str(error["ctx"]["error"]).partition("\n  hint: ")
        if not hint:
            message, _, hint = message.partition("; ")
        return message, hint
    if kind in ("missing", "missing_keyword_only_argument"):
        return "is missing", f"add {name.rpartition('.')[2]} {under_words(name)}"
    if kind in ("unexpected_keyword_argument", "extra_forbidden"):
        return unknown(name)
    if kind == "dataclass_type":
        own = [key for key in known_keys() if key.rpartition(".")[0] == name]
        keys = ", ".join(key.rpartition(".")[2] for key in own)
        return f"is a table, not {given!r}", f"write [{name}] and below it its keys: {keys}"
    words = f"{error['msg'][0].lower()}{error['msg'][1:]}, not {given!r}"
    if kind in ("float_parsing", "int_parsing"):
        return words, "write the number alone, without quotes or unit"
    return words, "change the value"
