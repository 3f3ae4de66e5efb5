"""Every fault of a series folder at once, and what is to be done next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from firelab.craft.trade_words import count_words
from firelab.errors import FaultyFile, Finding, FirelabError, quoted
from firelab.plan.infeasible import InfeasiblePlan, with_lines
from firelab.plan.plan import Plan
from firelab.plan.plan_files import read_plan
from firelab.plan.plan_rows import plan_findings
from firelab.records.doubts import look_doubts
from firelab.records.firing_log import FiringLog, read_log
from firelab.records.look import ENTRY_NAME, LOST
from firelab.records.planned_firings import planned_firings
from firelab.records.recording import now_text
from firelab.records.trace_file import read_trace
from firelab.records.what_changed import changed_since
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIRINGS_FILE,
    FIT_FILE,
    MADE_BY,
    PHOTOS_FOLDER,
    PLAN_FILE,
    PLAN_TABLE,
    SERIES_FILE,
    TRACES_FOLDER,
    WINDOWS_FILE,
    neighbour_marks,
    read_json,
    trace_files,
)
from firelab.series.kiln_settings import between_steps
from firelab.series.series_file import placeholder_findings, read_series


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderCheck:
    """What a look through a folder found.

    Attributes
    ----------
    findings : tuple of Finding
    doubts : tuple of Finding
        Looks to be confirmed or corrected (see `look_doubts`); no fault of a file.
    standing : tuple of str
        What is there, one line each.
    next_step : str
        The command that comes next; empty where there are findings, and of a studio.
    """

    findings: tuple[Finding, ...]
    doubts: tuple[Finding, ...] = ()
    standing: tuple[str, ...]
    next_step: str = ""


@dataclass(slots=True)
class _Gathered:
    folder: Path
    findings: list[Finding] = field(default_factory=list)
    doubts: tuple[Finding, ...] = ()
    standing: list[str] = field(default_factory=list)

    def add(self, code: str, file: str, message: str, hint: str) -> None:
        self.findings.append(Finding(code=code, file=file, message=message, hint=hint))


def check_folder(folder: str | Path) -> FolderCheck:
    """Look through a series folder and return every fault of it.

    Parameters
    ----------
    folder : str or Path
        The series folder.

    Raises
    ------
    FirelabError
        If there is no series in it.

    Examples
    --------
    >>> import firelab
    >>> firelab.check_folder(firelab.start_demo()).standing[1:]
    ('plan.csv: 30 tiles in 10 loads', 'firings.csv: 30 looks at 30 tiles')
    """
    gathered = _Gathered(folder=Path(folder))
    series, plan, log = _series(gathered), None, FiringLog()
    if series is not None:
        plan = _plan(gathered, series)
    if series is not None and not (gathered.folder / PLAN_TABLE).is_file():
        _possible(gathered, series)
    if series is not None and plan is not None:
        log = _log(gathered, series, plan)
        _photos(gathered, log)
    _traces(gathered)
    _derived(gathered)
    return FolderCheck(
        findings=tuple(gathered.findings),
        doubts=gathered.doubts,
        standing=tuple(gathered.standing),
        next_step="" if gathered.findings else _next_step(gathered, plan, log),
    )


def _series(gathered: _Gathered) -> FiringSeries | None:
    try:
        series = read_series(gathered.folder)
    except FaultyFile as fault:
        gathered.findings += fault.findings
        return None
    gathered.findings += placeholder_findings(
        (gathered.folder / SERIES_FILE).read_text(encoding="utf-8-sig")
    )
    marked = f", marked {series.mark}" if series.mark else ""
    gathered.standing.append(f"{SERIES_FILE}: {series.name}{marked}")
    if between := between_steps(series):
        gathered.standing.append(between)
    twin = neighbour_marks(gathered.folder).get(series.mark)
    if series.mark and twin is not None:
        gathered.add(
            "same-mark",
            SERIES_FILE,
            f"mark {series.mark} is that of {twin} beside it too",
            "give one of the two another mark, before its tiles are marked",
        )
    return series


def _plan(gathered: _Gathered, series: FiringSeries) -> Plan | None:
    base = gathered.folder
    if not (base / PLAN_TABLE).is_file() and not (base / PLAN_FILE).is_file():
        if (base / FIRINGS_FILE).is_file():
            gathered.add(
                "no-plan",
                FIRINGS_FILE,
                f"holds looks, but there is no {PLAN_TABLE} that they belong to",
                "bring the plan back; a new plan would name other tiles",
            )
        return None
    try:
        plan = read_plan(base, series)
    except FaultyFile as fault:
        gathered.findings += fault.findings
        return None
    except FirelabError as fault:
        gathered.add("no-plan", PLAN_TABLE, fault.what, fault.hint)
        return None
    gathered.findings += plan_findings(series, plan)
    changed = changed_since(base, plan.provenance.to_dict(), "plan")
    if changed:
        gathered.add(
            "stale-plan",
            PLAN_FILE,
            f"is stale: {', '.join(changed)} changed since the plan was made",
            "looks are recorded under this plan: put that back as it was, or start a new "
            "folder for the changed series with: firelab new"
            if (base / FIRINGS_FILE).is_file()
            else f"make it anew with: firelab plan {quoted(base)}",
        )
    loads = count_words(plan.tiles["load"].nunique(), "load")
    planned = (
        f"{count_words(plan.n_tiles, 'tile')} in {loads}" if plan.n_tiles else "no tile yet"
    )
    gathered.standing.append(f"{PLAN_TABLE}: {planned}")
    return plan


def _possible(gathered: _Gathered, series: FiringSeries) -> None:
    """Tell before planning why `plan` would refuse, by planning."""
    from firelab.plan.make_plan import make_plan  # most checks have a plan already

    try:
        make_plan(series)
    except InfeasiblePlan as fault:
        text = (gathered.folder / SERIES_FILE).read_text(encoding="utf-8-sig")
        gathered.findings += with_lines(fault, text).findings
    except FirelabError as fault:
        gathered.add("no-plan", SERIES_FILE, f"{fault.where}: {fault.what}", fault.hint)


def _log(gathered: _Gathered, series: FiringSeries, plan: Plan) -> FiringLog:
    planned = planned_firings(plan)
    log = read_log(gathered.folder, series, planned)
    gathered.findings += log.findings
    gathered.doubts = look_doubts(
        log.standing, series, planned, folder=gathered.folder, now=now_text()
    )
    if log.rows:
        lost = {one.tile for one in log.standing if LOST in one.change}
        seen = [one for one in log.standing if LOST not in one.change]
        tiles = len({one.tile for one in seen})
        superseded = len(log.rows) - len(log.standing)
        more = (
            f", {count_words(superseded, 'row')} superseded or withdrawn"
            if superseded
            else ""
        )
        more += f"; lost: {', '.join(sorted(lost))}" if lost else ""
        gathered.standing.append(
            f"{FIRINGS_FILE}: {count_words(len(seen), 'look')} at "
            f"{count_words(tiles, 'tile')}{more}"
        )
    if log.torn:
        gathered.standing.append(
            f"{FIRINGS_FILE}: a last line was cut off while it was written and never "
            "acknowledged; it is left out, and kept aside when the next look is recorded"
        )
    return log


def _photos(gathered: _Gathered, log: FiringLog) -> None:
    """Name the photographs that are kept under the entry of a look that is not there."""
    known = {row.entry for row in log.rows}
    for path in sorted((gathered.folder / PHOTOS_FOLDER).glob("*")):
        if ENTRY_NAME.fullmatch(path.stem) and path.stem not in known and not log.findings:
            gathered.add(
                "photo-without-look",
                f"{PHOTOS_FOLDER}/{path.name}",
                f"shows a look {path.stem} that {FIRINGS_FILE} does not hold",
                "bring the look back, or take the photograph out of the folder",
            )


def _traces(gathered: _Gathered) -> None:
    of_loads = trace_files(gathered.folder)
    if of_loads:
        loads = ", ".join(map(str, sorted(of_loads)))
        gathered.standing.append(f"{TRACES_FOLDER}: of load {loads}")
    for path in sorted((gathered.folder / TRACES_FOLDER).glob("*.csv")):
        if path not in of_loads.values():
            gathered.standing.append(
                f"{TRACES_FOLDER}/{path.name}: of no load; named load-3.csv it counts for "
                "load 3"
            )
        try:
            read_trace(path)
        except FaultyFile as fault:
            gathered.findings += fault.findings


def _derived(gathered: _Gathered) -> None:
    for name, command in MADE_BY.items():
        path = gathered.folder / name
        if not path.is_file():
            continue
        remedy = f"make it anew with: firelab {command} {quoted(gathered.folder)}"
        try:
            kept = read_json(path.read_bytes(), name)["provenance"]
            stale = changed_since(gathered.folder, kept, command)
        except (ValueError, KeyError, TypeError, AttributeError, OSError):
            gathered.add("damaged", name, "cannot be read as firelab wrote it", remedy)
            continue
        if not stale:
            gathered.standing.append(f"{name}: fresh")
        else:
            gathered.add(
                "stale",
                name,
                f"is stale: {', '.join(stale)} changed since it was made",
                remedy,
            )


def _next_step(gathered: _Gathered, plan: Plan | None, log: FiringLog) -> str:
    base = gathered.folder
    if plan is None:
        return f"firelab plan {quoted(base)}"
    if plan.is_sequential:
        waiting = set(plan.tiles["tile"]) - {one.tile for one in log.standing}
        if not waiting:
            return f"firelab next {quoted(base)}{' --add' * (not log.standing)}"
        codes = ", ".join(sorted(str(tile) for tile in waiting))
        return f"fire {codes}, then firelab record looks.csv {quoted(base)}"
    if not log.standing:
        fired = f"firelab record looks.csv {quoted(base)}"
        return f"firelab sheets {quoted(base)}, fire, then {fired}"
    if not (base / FIT_FILE).is_file():
        return f"firelab fit {quoted(base)}"
    if not (base / WINDOWS_FILE).is_file():
        return f"firelab windows {quoted(base)}"
    windows = read_json((base / WINDOWS_FILE).read_bytes(), WINDOWS_FILE)["windows"]
    if any(window["recipe"] for window in windows):
        return f"firelab report {quoted(base)}"
    if unseen := _unseen(plan, log):
        codes = ", ".join(unseen)
        return f"fire {codes}, then firelab record looks.csv {quoted(base)}"
    return f"firelab next {quoted(base)}"


def _unseen(plan: Plan, log: FiringLog) -> list[str]:
    """Name the tiles of which a planned firing has no look."""
    seen: Counter[str] = Counter()
    lost = {one.tile for one in log.standing if LOST in one.change}
    for one in log.standing:
        seen[one.tile] = max(seen[one.tile], one.look)
    planned = Counter(str(tile) for tile in plan.tiles["tile"])
    return sorted(t for t, n in planned.items() if n > seen[t] and t not in lost)
