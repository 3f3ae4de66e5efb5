"""A series recomputed from its raw tables and compared with what it claims.

Plan, fit, windows, their table and the next tiles are made again from series.toml,
plan.csv and firings.csv. Photos, traces, pages and figures are no numbers to
recompute: they are named as not checked.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from firelab.craft.trade_words import Shown
from firelab.errors import FirelabError
from firelab.plan.make_plan import make_plan
from firelab.plan.plan import CARRIED, Plan
from firelab.plan.plan_files import plan_table_text, read_plan
from firelab.plan.plan_rows import follow_rows
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIT_FILE,
    NEXT_FILE,
    PLAN_FILE,
    PLAN_TABLE,
    WINDOWS_FILE,
    WINDOWS_TABLE,
    read_json,
    versions,
)
from firelab.series.series_file import read_series, series_hash
from firelab.studios.bundle.altered_look import explain_fit
from firelab.studios.bundle.archive import SEAL_FILE
from firelab.studios.bundle.bundle import NEEDED_FILES
from firelab.studios.bundle.comparison import (
    FileVerdict,
    compare_json,
    compare_table,
    degC_per_latent_unit,
)
from firelab.studios.bundle.deposit import ORIGIN_FILE
from firelab.studios.bundle.descriptor import DESCRIPTOR_FILE
from firelab.windows.firing_windows import firing_windows
from firelab.windows.fit_file import (
    FolderFit,
    ask_window,
    fit_folder,
    fit_to_dict,
    read_fit_options,
    table_text,
)
from firelab.windows.sequential.next_tiles import next_tiles

SCHEMA = "firelab/verified/2"
_SOUND = ("agrees", "extended", "not claimed", "not recomputed")
_ACCOUNTED = (
    *(*NEEDED_FILES, FIT_FILE, WINDOWS_FILE, WINDOWS_TABLE, NEXT_FILE),
    *(DESCRIPTOR_FILE, SEAL_FILE, ORIGIN_FILE),
)


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Verification(Shown):
    """Whether a series is what it claims to be.

    Attributes
    ----------
    files : tuple of FileVerdict
        Of every file that can be recomputed.
    unchecked : tuple of str
        Files that a person may look at and that nobody recomputed.
    drift : dict of str to (str, str)
        Package to the version then and now, where they differ.
    """

    files: tuple[FileVerdict, ...]
    unchecked: tuple[str, ...]
    drift: Mapping[str, tuple[str, str]]

    @property
    def agrees(self) -> bool:
        """Whether nothing differs but in rounding."""
        return all(one.status in _SOUND for one in self.files)

    @property
    def largest_degC(self) -> float:
        """Largest difference in rounding, degC."""
        return max((one.largest_degC for one in self.files), default=0.0)

    def summary(self) -> str:
        """Return the verification as lines for a terminal, the answer first."""
        rounded = any(one.rounded for one in self.files)
        if not self.agrees:
            head = "does not agree with its own records"
            if "firelab" in self.drift:
                then, _ = self.drift["firelab"]
                head += f" as this version fits them; firelab {then} made it"
        elif rounded:
            head = (
                f"agrees within rounding: the largest difference is "
                f"{self.largest_degC:.1g} degC"
            )
        else:
            head = "agrees to the last digit"
        if self.agrees and any(one.status == "not recomputed" for one in self.files):
            head += ", but for what cannot be recomputed"
        lines = [head, *(one.summary() for one in self.files)]
        if self.unchecked:
            lines.append(f"not checked: {', '.join(self.unchecked)}")
        pairs = [
            f"{name} {then} then, {now} now" for name, (then, now) in self.drift.items()
        ]
        lines.append(f"versions: {', '.join(pairs) or 'the same then and now'}")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the verification as plain values."""
        return {
            "schema": SCHEMA,
            "agrees": self.agrees,
            "largest_degC": self.largest_degC,
            "files": [asdict(one) for one in self.files],
            "unchecked": list(self.unchecked),
            "drift": {name: list(pair) for name, pair in self.drift.items()},
        }


def verify_folder(folder: str | Path) -> Verification:
    """Recompute plan, fit, windows and next tiles of a folder from its raw tables.

    Parameters
    ----------
    folder : str or Path
        As `unpack` writes it.

    Returns
    -------
    Verification
        A file that is not there is not claimed.

    Raises
    ------
    FirelabError
        If the series or the log cannot be read.

    Examples
    --------
    >>> import firelab
    >>> firelab.verify_folder(firelab.start_demo())
    <Verification: agrees to the last digit>
    """
    base = Path(folder)
    stored = {name: _stored(base / name) for name in (PLAN_FILE, FIT_FILE, WINDOWS_FILE)}
    drift = _drift(stored)
    verdicts = [*_verify_plan(base, stored[PLAN_FILE]), *_verify_results(base, stored)]
    unchecked = (path.relative_to(base).as_posix() for path in base.rglob("*"))
    return Verification(
        files=tuple(_explained(one, drift) for one in verdicts),
        unchecked=tuple(
            sorted(
                name
                for name in unchecked
                if name not in _ACCOUNTED and (base / name).is_file()
            )
        ),
        drift=drift,
    )


def _stored(path: Path) -> Any:
    if not path.is_file():
        return None
    return read_json(path.read_bytes(), path.name)


def _drift(stored: Mapping[str, Any]) -> dict[str, tuple[str, str]]:
    now, drift = versions(), {}
    for content in stored.values():
        then = ((content or {}).get("provenance") or {}).get("versions") or {}
        for name, version in then.items():
            if now.get(name) != version:
                drift[str(name)] = (str(version), now.get(name, "not installed"))
    return drift


def _explained(verdict: FileVerdict, drift: Mapping[str, tuple[str, str]]) -> FileVerdict:
    if verdict.status != "differs" or verdict.note:
        return verdict
    if "firelab" in drift:
        note = (
            f"made by firelab {drift['firelab'][0]}: another version may answer otherwise"
        )
    else:
        note = "this is more than rounding: the file was changed after it was made"
    return replace(verdict, note=note)


def _verify_plan(base: Path, claimed: Any) -> list[FileVerdict]:
    series = read_series(base)
    if (claimed or {}).get("kind") == CARRIED:
        note = "its tiles were chosen beside records of others, which are not here"
        plan = read_plan(base, series)
        anew = _extended(series, plan, plan).to_dict(invented=series.invented)
        return [
            FileVerdict(file=PLAN_TABLE, status="not recomputed", note=note),
            compare_json(PLAN_FILE, claimed, anew),
        ]
    try:
        plan, table = _plan_anew(base, series, claimed or {})
    except FirelabError as fault:
        return [
            FileVerdict(file=name, status="cannot be recomputed", note=fault.what)
            for name in (PLAN_TABLE, PLAN_FILE)
        ]
    if table.status == "extended":
        plan = _extended(series, plan, read_plan(base, series))
    content = plan.to_dict(invented=series.invented)
    return [table, compare_json(PLAN_FILE, claimed, content)]


def _plan_anew(
    base: Path, series: FiringSeries, claimed: Mapping[str, Any]
) -> tuple[Plan, FileVerdict]:
    """Plan as was asked then: kind, size and seed may have been given by option."""
    seed = int(claimed.get("seed", series.seed))
    wish = replace(series.plan, kind=str(claimed.get("kind", series.plan.kind)))
    text = (base / PLAN_TABLE).read_text(encoding="utf-8")
    found, failure = None, FirelabError("no number of tiles is stated")
    for size in dict.fromkeys((series.plan.tiles, claimed.get("n_tiles"))):
        try:
            sized = replace(series, plan=replace(wish, tiles=size))
            plan = make_plan(sized, series_hash=series_hash(base), seed=seed)
        except FirelabError as fault:
            failure = fault
            continue
        anew = plan_table_text(plan, invented=series.invented)
        table = compare_table(PLAN_TABLE, text, anew, may_grow=True)
        found = found or (plan, table)
        if table.status != "differs":
            return plan, table
    if found is None:
        raise failure
    return found


def _extended(series: FiringSeries, first: Plan, whole: Plan) -> Plan:
    """Return the first plan with what follows from the rows that were added to it."""
    steps, told = len(first.preparation), len(first.notes)
    preparation = (*first.preparation, *whole.preparation[steps:])
    longer = follow_rows(series, first, whole.tiles, preparation)
    return replace(longer, notes=(*first.notes, *whole.notes[told:]))


def _verify_results(base: Path, stored: Mapping[str, Any]) -> list[FileVerdict]:
    names = (FIT_FILE, WINDOWS_FILE, WINDOWS_TABLE, NEXT_FILE)
    claimed = stored[FIT_FILE]
    if claimed is None:
        return [
            FileVerdict(
                file=name,
                status="cannot be recomputed" if (base / name).is_file() else "not claimed",
                note="fit.json is missing, which says how it was made",
            )
            for name in names
        ]
    options, stale = read_fit_options(base)
    fitted = fit_folder(base, options)
    if stale:
        note = f"it was made from another {', '.join(stale)}"
        why = explain_fit(fitted, claimed)
        return [
            FileVerdict(
                file=name,
                status="cannot be recomputed",
                note=f"{note}; {why}" if name == FIT_FILE and why else note,
            )
            for name in names
            if (base / name).is_file()
        ]
    low, high = fitted.stage.series.span("temperature")
    unit = degC_per_latent_unit(claimed, (high - low) / 2)
    verdict = compare_json(FIT_FILE, claimed, fit_to_dict(fitted), degC_per_unit=unit)
    if verdict.status == "differs":
        verdict = replace(verdict, note=explain_fit(fitted, claimed))
    return [verdict, *_verify_windows(base, fitted, stored[WINDOWS_FILE])]


_ASKED = ("probability", "confidence", "place")
"""What may have been asked of the windows beside what the series states."""


def _verify_windows(base: Path, fitted: FolderFit, claimed: Any) -> Iterator[FileVerdict]:
    asked = {name: (claimed or {}).get(name) for name in _ASKED}
    try:
        windows = firing_windows(ask_window(fitted.stage, **asked), fitted.clarity)
    except FirelabError as fault:
        for name in (WINDOWS_FILE, WINDOWS_TABLE, NEXT_FILE):
            if (base / name).is_file():
                yield FileVerdict(file=name, status="cannot be recomputed", note=fault.what)
        return
    yield compare_json(WINDOWS_FILE, claimed, windows.to_dict())
    table = table_text(windows, invented=fitted.invented)
    yield _verify_table(base / WINDOWS_TABLE, [table])
    yield verify_next(base, fitted)


def _verify_table(path: Path, candidates: list[str] | Iterator[str]) -> FileVerdict:
    """Compare a table with each thing it may honestly be; return what comes closest."""
    if not path.is_file():
        return FileVerdict(file=path.name, status="not claimed")
    text = path.read_text(encoding="utf-8")
    closest = None
    for candidate in candidates:
        verdict = compare_table(path.name, text, candidate)
        if verdict.status == "agrees":
            return verdict
        if closest is None or len(verdict.differences) < len(closest.differences):
            closest = verdict
    return closest or FileVerdict(file=path.name, status="cannot be recomputed")


def verify_next(folder: str | Path, fitted: FolderFit) -> FileVerdict:
    """Choose the next tiles again and compare.

    `next.csv` does not hold the options that it was asked for with; those that its
    rows admit are tried, and where the plan ends with those rows, the plan before them.
    """
    path = Path(folder) / NEXT_FILE
    if not path.is_file():
        return FileVerdict(file=NEXT_FILE, status="not claimed")
    try:
        claimed = pd.read_csv(path, dtype={"tile": "string"})
        plans = _plans_before(fitted, claimed)
        verdict = _verify_table(path, _next_candidates(claimed, fitted, plans))
    except (KeyError, TypeError, ValueError):
        verdict = FileVerdict(file=NEXT_FILE, status="cannot be recomputed")
    if verdict.status == "agrees":
        return verdict
    note = "firelab next does not choose these tiles from this log: choose anew with it"
    return replace(verdict, note=note)


def _plans_before(fitted: FolderFit, claimed: pd.DataFrame) -> list[Plan]:
    """Return the plan without the rows that were chosen, if it ends with them, or it."""
    plan, n_rows = fitted.records.plan, len(claimed)
    setting = ["temperature_degC", "dwell_s", "mesh", "layers", "base"]
    last, chosen = (
        sorted(rows[setting].itertuples(index=False, name=None))
        for rows in (plan.tiles.tail(n_rows), claimed)
    )
    if not n_rows or last != chosen:
        return [plan]
    before = plan.tiles.iloc[:-n_rows]
    return [follow_rows(fitted.records.series, plan, before, plan.preparation), plan]


def _next_candidates(
    claimed: pd.DataFrame, fitted: FolderFit, plans: list[Plan]
) -> Iterator[str]:
    by_load = claimed.groupby("load")["tile"]
    n_loads = max(int(by_load.ngroups), 1)
    places = int(by_load.size().max()) if len(claimed) else None
    new = int(by_load.apply(lambda tiles: tiles.isna().sum()).max()) if places else None
    windows = firing_windows(fitted.stage, fitted.clarity) if places is None else None
    sizes = (
        [(None, None)] if places is None else [(None, None), (places, None), (None, new)]
    )
    for plan, (size, most_new), fire_on in itertools.product(plans, sizes, (True, False)):
        try:
            chosen = next_tiles(
                fitted.stage,
                plan,
                windows=windows,
                n_loads=n_loads,
                places=size,
                most_new=most_new,
                fire_on=fire_on,
            )
        except FirelabError:
            continue
        yield table_text(chosen, invented=fitted.invented)
