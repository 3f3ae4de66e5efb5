"""Looks that are recorded and asked back: what is more often a slip than true.

A doubt is no fault: the look stands and is fitted. It is listed until a further
row confirms or corrects the look.
"""

from __future__ import annotations

import datetime
import shlex
from collections.abc import Iterable
from pathlib import Path

from firelab.craft.degrees import kiln_unit_alone
from firelab.craft.units import format_duration, format_temperature
from firelab.errors import Finding
from firelab.records.look import CONFIRMATION, MOVED, OFFSET, Look
from firelab.records.planned_firings import PlannedFirings
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import FIRINGS_FILE, FIT_FILE, read_json

DWELL_RATIO = 1.5
"""A dwell this many times longer or shorter than planned (chosen here, no source)."""
FAR_DEGC = 20 / 1.8
"""20 degF from the plan, or between two tiles of a load (chosen here, no source)."""
FAR_GRADES = 2
"""Grades between two people's views of one tile (chosen here, no source)."""
_CLOCKS_APART = datetime.timedelta(hours=1)
"""Two clocks of a studio may differ so much, as in the nights that change summer time."""

Doubt = tuple[str, Look, str, str]
"""Code, look, what is odd of it, and the option that corrects it."""


def look_doubts(
    standing: Iterable[Look],
    series: FiringSeries,
    planned: PlannedFirings,
    *,
    folder: str | Path,
    now: str,
) -> tuple[Finding, ...]:
    """Return what is odd of the looks that stand and that no one confirmed.

    Parameters
    ----------
    standing : iterable of Look
        In the order of the log.
    series : FiringSeries
        Fixes the order of the grades and the unit that is read.
    planned : PlannedFirings
    folder : str or Path
        The series folder, as the remedy is to name it.
    now : str
        ISO 8601; what is fired later, and was recorded at no stated time, lies in
        the future.

    Returns
    -------
    tuple of Finding
        By line. Codes: ``far-dwell``, ``far-temperature``, ``other-place``,
        ``uneven-load``, ``grade-backwards``, ``observers-apart``, ``future-date``, and
        ``unlikely``: what the last fit of the folder found more likely a slip than true.
    """
    looks = tuple(standing)
    against_plan = _against_plan(looks, series, planned)
    doubts = [
        *against_plan,
        *_within_loads(_not_far(looks, against_plan), series),
        *_between_grades(looks, series.responses.stage.grades),
        *_in_the_future(looks, now),
        *_unlikely_to_the_fit(looks, folder),
    ]
    asked = [doubt for doubt in doubts if CONFIRMATION not in doubt[1].change]
    asked.sort(key=lambda doubt: doubt[1].line)
    return tuple(_finding(doubt, folder) for doubt in asked)


def _finding(doubt: Doubt, folder: str | Path) -> Finding:
    code, look, message, option = doubt
    words = [
        "firelab",
        "record",
        str(folder),
        "--tile",
        look.tile,
        "--look",
        str(look.look),
    ]
    words += ["--observer", look.observer] if look.observer else []
    command = shlex.join(words)
    return Finding(
        code=code,
        file=FIRINGS_FILE,
        line=look.line,
        message=message,
        hint=f"if it is so: {command} --confirm\n  if not: {command} --correct {option}",
    )


def _name(look: Look) -> str:
    return f"tile {look.tile} look {look.look}"


def _against_plan(
    looks: Iterable[Look], series: FiringSeries, planned: PlannedFirings
) -> list[Doubt]:
    doubts: list[Doubt] = []
    reads = series.kiln.reads
    for look in looks:
        firing, load = planned.firing(look.tile, look.look), planned.loads.get(look.load)
        if firing is not None and look.dwell_s is not None:
            ratio = look.dwell_s / firing.dwell_s
            if not 1 / DWELL_RATIO <= ratio <= DWELL_RATIO:
                was, is_now = format_duration(firing.dwell_s), format_duration(look.dwell_s)
                message = f"{_name(look)} was in for {is_now}, planned {was}"
                doubts.append(("far-dwell", look, message, f"--dwell '{was}'"))
        degC = look.temperature_degC
        if load is not None and degC is not None and OFFSET not in look.change:
            if abs(degC - load.temperature_degC) > FAR_DEGC:
                read = format_temperature(degC, reads)
                asked = format_temperature(load.temperature_degC, reads)
                message = f"{_name(look)} was fired at {read}, load {look.load} is planned "
                message += f"at {asked}"
                option = _temperature_option(asked)
                doubts.append(("far-temperature", look, message, option))
        if firing is None or MOVED in look.change:
            continue
        if look.place not in (None, firing.place):
            message = f"{_name(look)} stood at place {look.place} of the rack, planned "
            message += f"{firing.place}"
            doubts.append(("other-place", look, message, f"--place {firing.place}"))
    return _once_a_firing(doubts)


def _temperature_option(both: str) -> str:
    return f"--temperature '{kiln_unit_alone(both)}'"


def _once_a_firing(doubts: list[Doubt]) -> list[Doubt]:
    """Return doubts of a firing once, though several people's rows repeat them."""
    first: dict[tuple[str, str, int, str], Doubt] = {}
    for doubt in doubts:
        code, look, message, _ = doubt
        key = (code, look.tile, look.look, message)
        if key not in first or CONFIRMATION in look.change:
            first[key] = doubt
    return list(first.values())


def _not_far(looks: Iterable[Look], doubts: Iterable[Doubt]) -> list[Look]:
    """Return the looks whose temperature is not asked back already."""
    far = {
        (look.tile, look.look)
        for code, look, _, _ in doubts
        if code == "far-temperature" and CONFIRMATION not in look.change
    }
    return [look for look in looks if (look.tile, look.look) not in far]


def _within_loads(looks: Iterable[Look], series: FiringSeries) -> list[Doubt]:
    """Compare what was read at the tiles of one load, in the order of the log."""
    doubts: list[Doubt] = []
    read: dict[tuple[int, int], list[Look]] = {}
    for look in looks:
        if look.temperature_degC is None:
            continue
        others = read.setdefault((look.session, look.load), [])
        nearest = min(others, key=lambda one: _apart(one, look), default=None)
        if nearest is not None and _apart(nearest, look) > FAR_DEGC:
            reads = series.kiln.reads
            here = format_temperature(look.temperature_degC, reads)
            there = format_temperature(nearest.temperature_degC or 0.0, reads)
            message = f"{_name(look)} was fired at {here}, tile {nearest.tile} of the same "
            message += f"load {look.load} at {there}"
            doubts.append(("uneven-load", look, message, _temperature_option(there)))
        others.append(look)
    return doubts


def _apart(one: Look, other: Look) -> float:
    return abs((one.temperature_degC or 0.0) - (other.temperature_degC or 0.0))


def _between_grades(looks: Iterable[Look], grades: tuple[str, ...]) -> list[Doubt]:
    doubts: list[Doubt] = []
    rank = {grade: place for place, grade in enumerate(grades)}
    firings: dict[tuple[str, int], list[Look]] = {}
    graded = [look for look in looks if look.stage in rank]
    for look in graded:
        firings.setdefault((look.tile, look.look), []).append(look)
    for look in graded:
        for other in firings[look.tile, look.look]:
            if other is look:
                break
            if abs(rank[look.stage] - rank[other.stage]) >= FAR_GRADES:
                message = (
                    f"{_name(look)} is {look.stage!r} to {look.observer or 'one'} and "
                )
                message += f"{other.stage!r} to {other.observer or 'another'}"
                doubts.append(("observers-apart", look, message, "--stage GRADE"))
                break
        before = [
            one
            for (tile, number), several in firings.items()
            if tile == look.tile and number < look.look
            for one in several
        ]
        highest = max(before, key=lambda one: rank[one.stage], default=None)
        if highest is not None and rank[look.stage] < rank[highest.stage]:
            message = f"{_name(look)} is {look.stage!r}, after {highest.stage!r} at look "
            message += f"{highest.look}: fired on, glass goes no grade back"
            doubts.append(("grade-backwards", look, message, "--stage GRADE"))
    return doubts


def _in_the_future(looks: Iterable[Look], now: str) -> list[Doubt]:
    doubts: list[Doubt] = []
    for look in looks:
        known = look.recorded_at or now
        if look.fired_at and _is_after(look.fired_at, known):
            message = (
                f"{_name(look)} was fired at {look.fired_at}, after it was recorded at "
            )
            message += known if look.recorded_at else f"all: now is {known}"
            doubts.append(("future-date", look, message, "--fired-at DATE"))
    return doubts


def _is_after(fired: str, known: str) -> bool:
    first, second = (datetime.datetime.fromisoformat(text) for text in (fired, known))
    if first.tzinfo is None or second.tzinfo is None:
        first, second = first.replace(tzinfo=None), second.replace(tzinfo=None)
    if "T" not in fired:
        return first.date() > second.date()
    return first - second > _CLOCKS_APART


def _unlikely_to_the_fit(looks: Iterable[Look], folder: str | Path) -> list[Doubt]:
    """Return the looks of which fit.json says so, as long as they stand as fitted."""
    try:
        kept = read_json((Path(folder) / FIT_FILE).read_bytes(), FIT_FILE)
        found = {
            (one["tile"], one["look"], one["observer"], one["stage"]): one["expected"]
            for one in kept["stage"].get("unlikely", ())
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []  # no fit, or a damaged one, which `check` names by itself
    doubts: list[Doubt] = []
    for look in looks:
        expected = found.get((look.tile, look.look, look.observer, look.stage))
        if expected is not None:
            message = f"{_name(look)} is {look.stage!r}; the fit expects {expected!r} there"
            doubts.append(("unlikely", look, message, f"--stage {shlex.quote(expected)}"))
    return doubts
