"""Looks against one another: which stand, which clash, which are out of order."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import dataclass

from firelab.errors import Finding
from firelab.records.look import LOST, SUPERSEDING, WITHDRAWAL, Look
from firelab.series.folder import FIRINGS_FILE

Firing = tuple[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingLooks:
    """The looks that stand once corrections and withdrawals are applied.

    Attributes
    ----------
    looks : tuple of Look
        In the order of the log; a correction takes the place of what it corrects.
    findings : tuple of Finding
    """

    looks: tuple[Look, ...]
    findings: tuple[Finding, ...]


def _finding(look: Look, file: str, code: str, message: str, hint: str) -> Finding:
    return Finding(code=code, file=file, line=look.line, message=message, hint=hint)


def _look_at(look: Look) -> str:
    parts = [LOST] if LOST in look.change else [look.stage]
    parts += ["" if look.transparency is None else f"{look.transparency:g}"]
    return ", ".join(part for part in parts if part) or "no grade"


def superseded(look: Look, standing: Iterable[Look]) -> list[Look]:
    """Return the looks that a correction or withdrawal may mean; one is clear.

    A look by the same observer is meant first; failing that, the only look at
    that firing of that tile.
    """
    here = [one for one in standing if (one.tile, one.look) == (look.tile, look.look)]
    exact = [one for one in here if one.observer.casefold() == look.observer.casefold()]
    return exact or here


def standing_looks(
    looks: Iterable[Look],
    *,
    file: str = FIRINGS_FILE,
    before: Iterable[Look] = (),
) -> StandingLooks:
    """Apply rows one after the other and return the looks that stand.

    Parameters
    ----------
    looks : iterable of Look
        Rows in the order of their file.
    file : str
        Their file, for findings.
    before : iterable of Look
        Looks that stand already, in the log.
    """
    standing: dict[Firing, list[Look]] = {}
    for one in before:
        standing.setdefault((one.tile, one.look), []).append(one)
    # values are compared by identity: equal rows of two files are not the same row
    old = {id(one) for several in standing.values() for one in several}
    findings: list[Finding] = []
    for look in looks:
        here = standing.setdefault((look.tile, look.look), [])
        if LOST in look.change:
            here[:] = [look]
            continue
        if SUPERSEDING & set(look.change):
            meant = superseded(look, here)
            if len(meant) != 1:
                findings.append(_nothing_to_change(look, meant, file))
                continue
            place = here.index(meant[0])
            here[place : place + 1] = [] if WITHDRAWAL in look.change else [look]
            continue
        twin = next((one for one in here if one.is_seen_by(look.observer)), None)
        if twin is None:
            here.append(look)
        else:
            there = FIRINGS_FILE if id(twin) in old else file
            findings.append(_twice(look, twin, file, there))
    every = [one for several in standing.values() for one in several]
    findings += _sequence_findings(standing, file, old)
    return StandingLooks(looks=tuple(every), findings=tuple(findings))


def _twice(look: Look, twin: Look, file: str, there: str) -> Finding:
    return _finding(
        look,
        file,
        "look-twice",
        f"look {look.look} at tile {look.tile} ({_look_at(look)}) stands already at "
        f"{there}:{twin.line} ({_look_at(twin)})",
        "leave one out; a second firing of the tile is look "
        f"{look.look + 1}; to correct what stands: firelab record with --correct",
    )


def _nothing_to_change(look: Look, meant: list[Look], file: str) -> Finding:
    word = next(word for word in look.change if word in SUPERSEDING)
    if meant:
        names = ", ".join(one.observer or "no name" for one in meant)
        message = f"{word} of look {look.look} at tile {look.tile} may mean that of {names}"
        return _finding(look, file, "unclear-change", message, "name the observer")
    message = f"{word} of look {look.look} at tile {look.tile}, which is not recorded"
    hint = "correct tile or look, or record it as a new look"
    return _finding(look, file, "nothing-to-change", message, hint)


def _sequence_findings(
    standing: dict[Firing, list[Look]], file: str, old: set[int]
) -> list[Finding]:
    findings: list[Finding] = []
    for (tile, number), here in standing.items():
        new = [one for one in here if id(one) not in old]
        if not new:
            continue
        look = new[-1]
        lost_here = LOST in look.change
        if number > 1 and not standing.get((tile, number - 1)) and not lost_here:
            findings.append(
                _finding(
                    look,
                    file,
                    "look-skipped",
                    f"look {number} at tile {tile}, but look {number - 1} is not recorded",
                    "record the earlier firing too, without a grade if it had none",
                )
            )
        lost = [one for one in standing.get((tile, number - 1), []) if LOST in one.change]
        if lost and not lost_here:
            findings.append(_after_loss(look, lost[0], file))
        findings += _dwell_findings(here, look, file, old)
        findings += _time_findings(standing.get((tile, number - 1), []), look, file)
    return findings


def _after_loss(look: Look, lost: Look, file: str) -> Finding:
    return _finding(
        look,
        file,
        "look-after-loss",
        f"look {look.look} at tile {look.tile}, which was lost at look {lost.look} "
        f"({FIRINGS_FILE}:{lost.line})",
        f"if it was found again: firelab record --tile {look.tile} --look {lost.look} "
        "--withdraw",
    )


def _dwell_findings(
    here: list[Look], look: Look, file: str, old: set[int]
) -> list[Finding]:
    for other in here:
        if other is look or None in (other.dwell_s, look.dwell_s):
            continue
        if other.dwell_s != look.dwell_s:
            return [
                _finding(
                    look,
                    file,
                    "two-dwells",
                    f"look {look.look} at tile {look.tile} took {look.dwell_s:g} s here "
                    f"and {other.dwell_s:g} s at "
                    f"{FIRINGS_FILE if id(other) in old else file}:{other.line}",
                    "one firing has one dwell: correct one of the two",
                )
            ]
    return []


def _time_findings(earlier: list[Look], look: Look, file: str) -> list[Finding]:
    for other in earlier:
        if not other.fired_at or not look.fired_at:
            continue
        first = datetime.datetime.fromisoformat(other.fired_at)
        second = datetime.datetime.fromisoformat(look.fired_at)
        same_clock = (first.tzinfo is None) == (second.tzinfo is None)
        both_timed = "T" in other.fired_at and "T" in look.fired_at
        late = first > second if both_timed and same_clock else first.date() > second.date()
        if late:
            return [
                _finding(
                    look,
                    file,
                    "out-of-order",
                    f"look {look.look} at tile {look.tile} was fired at {look.fired_at}, "
                    f"before look {other.look} at {other.fired_at} (line {other.line})",
                    "swap the looks, or correct a time",
                )
            ]
    return []
