"""Errors and findings: what is wrong, where, and the remedy.

Every fault that reaches a person names the place, the values and what to do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

EXIT_DONE = 0
EXIT_FINDINGS = 1
EXIT_USAGE = 2
EXIT_UNSUPPORTED = 3


class FirelabError(Exception):
    """A fault told in three parts: what, where, and the remedy.

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
        head = f"{self.where} {self.what}" if self.where else self.what
        return f"{head}\n  hint: {self.hint}" if self.hint else head


class UsageError(FirelabError):
    """A command was called with words it cannot take."""

    exit_code = EXIT_USAGE


class RecordsInsufficient(FirelabError):
    """The records cannot support the answer that was asked for."""

    exit_code = EXIT_UNSUPPORTED


class FitWarning(UserWarning):
    """A fit was returned with a doubt that its convergence record explains."""


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
    line: int
    column: int
    message: str
    hint: str = ""

    def __str__(self) -> str:
        """Render as ``file:line message`` with the hint below."""
        place = f"{self.file}:{self.line}" if self.line else self.file
        head = f"{place} {self.message}"
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
        """Render every finding, one after the other."""
        return "\n".join(str(finding) for finding in self.findings)
