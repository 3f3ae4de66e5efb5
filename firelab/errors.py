"""Errors and findings: what is wrong, where, and the remedy.

Every fault that reaches a person names the place, the values and what to do.
"""

from __future__ import annotations

import difflib
import re
import shlex
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

EXIT_FINDINGS = 1
EXIT_USAGE = 2
EXIT_UNSUPPORTED = 3


def quoted(name: object) -> str:
    """Return a name as a command can be pasted with it.

    Examples
    --------
    >>> quoted("marsh-green"), quoted("marsh green")
    ('marsh-green', "'marsh green'")
    """
    return shlex.quote(str(name))


_VERBS = ("is ", "has ", "holds ", "lacks ", "was ", "carries ", "names ")
"""Beginnings of a fault whose subject is the place itself: it reads on without a colon."""


_LINE = re.compile(r":\d[\d, ]*$")
"""Lines of a file, which end with a number and need no colon behind it."""


def _apart(where: str, what: str) -> str:
    """Return what stands between a place and its fault."""
    return "" if what.startswith(_VERBS) or _LINE.search(where) else ":"


def neighbours_hint(name: str) -> str:
    """Return a further line that names what stands beside a mistyped path, if anything.

    Parameters
    ----------
    name : str
        Path that is not there; where it is, the answer is empty.
    """
    path = Path(name)
    if path.exists():
        return ""
    # Of a file in a folder that is not there, the folder is what was mistyped.
    while not path.parent.is_dir():
        path = path.parent
    beside = [one.name for one in path.parent.iterdir() if not one.name.startswith(".")]
    near = difflib.get_close_matches(path.name, sorted(beside), n=3, cutoff=0.5)
    return f"\n  hint: did you mean {' or '.join(near)}?" if near else ""


class FirelabError(Exception):
    """A fault in three parts: what, where, and the remedy.

    Parameters
    ----------
    what : str
        The fault, naming both values where two disagree.
    where : str, default ''
        File and line, or the part of the series; empty if there is no place.
    hint : str, default ''
        The remedy.
    """

    exit_code = EXIT_FINDINGS

    def __init__(self, what: str, where: str = "", hint: str = "") -> None:
        super().__init__(what, where, hint)
        self.what = what
        self.where = where
        self.hint = hint

    def __str__(self) -> str:
        """Render the fault as the terminal shows it."""
        apart = _apart(self.where, self.what)
        head = f"{self.where}{apart} {self.what}" if self.where else self.what
        return f"{head}\n  hint: {self.hint}" if self.hint else head


class UsageError(FirelabError):
    """A command was called with words it cannot take."""

    exit_code = EXIT_USAGE


class RecordsInsufficient(FirelabError):
    """The records cannot support the answer that was asked for."""

    exit_code = EXIT_UNSUPPORTED


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One fault of a file.

    Attributes
    ----------
    code : str
        Stable short name of the kind of fault, such as ``unknown-tile``.
    file : str
        Name of the file, relative to the series folder.
    line, column : int
        One-based place; 0 where the fault belongs to the whole file.
    message : str
        The fault with both values.
    hint : str
        The remedy.
    """

    code: str
    file: str
    line: int = 0
    column: int = 0
    message: str
    hint: str = ""

    def __str__(self) -> str:
        """Render as ``file:line message`` with the hint below."""
        place = f"{self.file}:{self.line}" if self.line else self.file
        head = f"{place}{_apart(place, self.message)} {self.message}"
        return f"{head}\n  hint: {self.hint}" if self.hint else head

    def to_dict(self) -> dict[str, str | int]:
        """Return the finding as plain values."""
        return asdict(self)


class FaultyFile(FirelabError):
    """A file with one or more findings; all of them are held.

    Parameters
    ----------
    findings : iterable of Finding
        At least one.
    """

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        names = sorted({finding.file for finding in self.findings})
        count = len(self.findings)
        super().__init__(
            f"{count} fault{'s' if count != 1 else ''} found",
            ", ".join(names),
            "mend each place listed; nothing was changed",
        )

    def __str__(self) -> str:
        """Render every finding; one that several rows share stands once."""
        return findings_text(self.findings)


MOST_OF_A_KIND = 3
"""Faults of one kind that are told in full; the rows of the rest are listed (chosen
here, no source)."""
MOST_LINES = 12
"""Rows that are listed by number (chosen here, no source)."""


def findings_text(found: Iterable[Finding]) -> str:
    """Return findings as text: one message for one fault, with all of its rows.

    Examples
    --------
    >>> faults = [
    ...     Finding(code="c", file="a.csv", line=line, column=2, message="grade 'ful'")
    ...     for line in (2, 5)
    ... ]
    >>> findings_text(faults)
    "a.csv:2, 5 grade 'ful'"
    """
    kinds: dict[tuple[str, str, int], dict[Finding, list[int]]] = {}
    for one in found:
        faults = kinds.setdefault((one.file, one.code, one.column), {})
        faults.setdefault(replace(one, line=0), []).append(one.line)
    texts = []
    for (file, _, _), faults in kinds.items():
        ranked = list(faults.items())
        most = MOST_OF_A_KIND if len(ranked) > MOST_OF_A_KIND + 1 else len(ranked)
        for fault, lines in ranked[:most]:
            listed = _lines_text(lines)
            texts.append(str(replace(fault, file=f"{file}:{listed}" if listed else file)))
        rest = sorted(line for _, lines in ranked[most:] for line in lines)
        if rest:
            texts.append(f"{file}:{_lines_text(rest)} the same kind of fault")
    return "\n".join(texts)


def _lines_text(lines: list[int]) -> str:
    numbers = [str(line) for line in lines if line]
    more = f" and {len(numbers) - MOST_LINES} more" if len(numbers) > MOST_LINES else ""
    return ", ".join(numbers[:MOST_LINES]) + more
