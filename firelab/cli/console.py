"""The only place that writes to the terminal.

Results go to stdout, everything else to stderr; progress only where stderr is
a terminal; a fault of firelab's own never shows a traceback.
"""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, NoReturn, TextIO

import typer

from firelab.craft.degrees import with_degree_signs
from firelab.errors import (
    EXIT_FINDINGS,
    Finding,
    FirelabError,
    UsageError,
    findings_text,
    neighbours_hint,
)
from firelab.fits.sampling.watch import watched

SeriesFolder = Annotated[Path, typer.Argument(help="Series folder.")]
AsJson = Annotated[bool, typer.Option("--json", help="Result as JSON.")]


_UNSEEN = re.compile(
    r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]"
)
"""Characters that a terminal obeys instead of showing: the C0 and C1 sets but tab and
newline (ECMA-48), and those that turn the direction of writing (Unicode UAX 9)."""


def _made_visible(text: str) -> str:
    r"""Return text with what a terminal would obey written out, as ``\u001b``."""
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def result(text: str, *, obeyed: bool = False, as_it_is: bool = False) -> None:
    """Write a result to stdout.

    `obeyed` lets firelab's own terminal codes through; `as_it_is` is for the text of a
    file, in which degF stays spelled out.
    """
    seen = text if obeyed else _made_visible(text)
    shown = seen if as_it_is else with_degree_signs(seen)
    sys.stdout.write(_encodable(shown, sys.stdout))


def _encodable(text: str, stream: TextIO) -> str:
    """Return text as a stream can show it: deg for ° where its encoding has none."""
    lines = text.removesuffix("\n") + "\n"
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        lines.encode(encoding)
    except UnicodeEncodeError:
        plain = lines.replace("°", "deg")
        return plain.encode(encoding, "replace").decode(encoding)
    return lines


def result_json(content: Any) -> None:
    """Write a result to stdout as JSON."""
    from firelab.series.folder import json_text

    sys.stdout.write(_made_visible(json_text(content)))


def shows_colour() -> bool:
    """Tell whether stdout is a terminal, which shows colour."""
    return sys.stdout.isatty()


def remark(text: str) -> None:
    """Write a remark to stderr."""
    sys.stderr.write(_encodable(_made_visible(text), sys.stderr))


def is_terminal() -> bool:
    """Tell whether a person can be asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask(question: str) -> str:
    """Ask a person, on stderr, and return the line that was typed.

    Raises
    ------
    UsageError
        If the input ended.
    """
    sys.stderr.write(_encodable(question, sys.stderr).removesuffix("\n"))
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise UsageError("the questions were left; nothing was written")
    return line


def progress(text: str) -> None:
    """Show where a long command is, on a terminal only."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\033[K{_made_visible(text)}")
        sys.stderr.flush()


def progress_done() -> None:
    """Clear the line of `progress`."""
    if sys.stderr.isatty():
        sys.stderr.write("\r\033[K")


def findings(found: Iterable[Finding], *, as_json: bool = False) -> None:
    """Write findings: to stderr as text, or to stdout as JSON."""
    listed = list(found)
    if as_json:
        result_json(
            {"schema": "firelab/findings/1", "findings": [one.to_dict() for one in listed]}
        )
        return
    if listed:
        remark(findings_text(listed))


def leave(code: int) -> NoReturn:
    """End the command with an exit code."""
    raise SystemExit(code)


_FIRST_S, _LONG_S = 3.0, 20.0
"""Seconds of work before the rest is foreseen from it, and of a rest that is told (chosen
here, no source)."""


@dataclass(slots=True)
class _LongFit:
    """Tells once how long a fit of many looks takes, then on a terminal what is left.

    A share below the last one is a further fit's: what the command did before its fit,
    and between two, says nothing of either.
    """

    since: float = 0.0
    first: float = 2.0
    last: float = 2.0
    is_long: bool = False

    def show(self, share: float) -> None:
        if share < self.last:
            self.since, self.first = time.monotonic(), share
        self.last = share
        passed, gained = time.monotonic() - self.since, share - self.first
        if passed < _FIRST_S or gained <= 0.0:
            return
        left = passed * (1.0 - share) / gained
        if not self.is_long and left > _LONG_S:
            self.is_long = True
            progress_done()
            remark(f"many looks: the fit takes about {_plain_time(passed + left)}")
        if self.is_long:
            progress(f"fitting: {share:.0%} done, about {_plain_time(left)} left")
            if share >= 1.0:
                progress_done()


def _plain_time(seconds: float) -> str:
    if seconds < 90.0:
        return f"{10 * max(1, round(seconds / 10.0))} s"
    return f"{round(seconds / 60.0)} min"


@contextmanager
def exit_on_fault(*, as_json: bool = False) -> Iterator[None]:
    """Turn a `FirelabError` into its text and exit code; say how long a long fit takes."""
    try:
        with watched(_LongFit().show):
            yield
    except FirelabError as fault:
        found = getattr(fault, "findings", None)
        if found is not None:
            findings(found, as_json=as_json)
        elif as_json:
            where, what, hint = fault.where, fault.what, fault.hint
            one = Finding(
                code="error", file=where, line=0, column=0, message=what, hint=hint
            )
            findings([one], as_json=True)
        else:
            remark(str(fault))
        leave(fault.exit_code)
    except OSError as fault:
        reason = (fault.strerror or str(fault)).casefold()
        name = str(fault.filename or "")
        remark(f"{name}: {reason}{neighbours_hint(name)}" if name else reason)
        leave(EXIT_FINDINGS)
