"""A series recomputed from its raw tables and compared with what it claims.

Where a recomputed file differs from the claimed one, number by number.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from firelab.errors import FirelabError
from firelab.plan.make_plan import plan_series
from firelab.plan.plan import Plan
from firelab.plan.plan_files import plan_dict, plan_table_text
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import (
    FIT_FILE,
    PLAN_FILE,
    PLAN_TABLE,
    WINDOWS_FILE,
    json_text,
    versions,
)
from firelab.series.series_file import read_series, series_hash
from firelab.windows.firing_windows import firing_windows
from firelab.windows.fit_file import ask_window, fit_folder, fit_to_dict, read_fit_options

_TOLD = 12
_IGNORED = ("versions",)
EXACT = 17.0
"""Digits of two values that are equal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One place where the recomputed value is another.

    Attributes
    ----------
    place : str
        Path of keys inside the file.
    claimed, found : str
        Both values; ``absent`` where one of them has none.
    digits : float
        Leading digits in agreement; 0 where they are not numbers.
    """

    place: str
    claimed: str
    found: str
    digits: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FileVerdict:
    """What recomputing one file gave.

    Attributes
    ----------
    file : str
    status : {'agrees', 'extended', 'differs', 'not claimed', 'cannot be recomputed'}
        ``extended`` where rows were added to a plan that else agrees.
    numbers : int
        Numbers compared.
    differences : tuple of Difference
    note : str
        Why it cannot be recomputed, or what explains a difference.
    """

    file: str
    status: str
    numbers: int = 0
    differences: tuple[Difference, ...] = ()
    note: str = ""

    @property
    def digits(self) -> float:
        """Fewest leading digits in agreement, 17 where every value is equal."""
        return min((one.digits for one in self.differences), default=EXACT)

    def summary(self) -> str:
        """Return the verdict as lines for a terminal."""
        if self.status == "agrees":
            return f"{self.file}: agrees to the last digit ({self.numbers} numbers)"
        if self.status != "differs":
            return f"{self.file}: {self.status}" + (f": {self.note}" if self.note else "")
        head = (
            f"{self.file}: differs in {len(self.differences)} places, agrees to "
            f"{self.digits:.0f} digits at least"
        )
        lines = [
            f"  {one.place}: claimed {one.claimed}, found {one.found}"
            for one in self.differences[:_TOLD]
        ]
        rest = len(self.differences) - _TOLD
        lines += [f"  and {rest} more"] if rest > 0 else []
        lines += [f"  {self.note}"] if self.note else []
        return "\n".join([head, *lines])


def compare_json(file: str, claimed: Any, found: Any) -> FileVerdict:
    """Compare the content of a file with what was recomputed.

    Parameters
    ----------
    file : str
    claimed : Any
        As read from JSON; None where the file is not there.
    found : Any
        As it would be written.

    Returns
    -------
    FileVerdict
        Package versions are left out of the comparison.

    Examples
    --------
    >>> print(compare_json("fit.json", {"a": 1.25}, {"a": 1.2500001}).summary())
    fit.json: differs in 1 places, agrees to 7 digits at least
      a: claimed 1.25, found 1.2500001
    """
    if claimed is None:
        return FileVerdict(file=file, status="not claimed")
    again = json.loads(json_text(found))
    differences = tuple(_differences(claimed, again, ""))
    return FileVerdict(
        file=file,
        status="differs" if differences else "agrees",
        numbers=sum(1 for _ in _numbers(again)),
        differences=differences,
    )


def compare_lines(file: str, claimed: str, found: str) -> FileVerdict:
    """Compare a table with what was recomputed, line by line.

    Further lines at the end of `claimed` make it ``extended``.
    """
    mine, right = claimed.splitlines(), found.splitlines()
    differences = tuple(
        Difference(
            place=f"line {line + 1}",
            claimed=mine[line] if line < len(mine) else "absent",
            found=one,
            digits=0.0,
        )
        for line, one in enumerate(right)
        if line >= len(mine) or mine[line] != one
    )
    added = len(mine) - len(right)
    status = "differs" if differences else "extended" if added > 0 else "agrees"
    return FileVerdict(
        file=file,
        status=status,
        numbers=sum(line.count(",") + 1 for line in right[1:]),
        differences=differences,
        note=f"{added} rows were added to it later" if added > 0 else "",
    )


def _numbers(value: Any) -> Iterator[float]:
    if isinstance(value, dict):
        for one in value.values():
            yield from _numbers(one)
    elif isinstance(value, list):
        for one in value:
            yield from _numbers(one)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


def _differences(claimed: Any, found: Any, place: str) -> Iterator[Difference]:
    if isinstance(claimed, dict) and isinstance(found, dict):
        for key in [*claimed, *(key for key in found if key not in claimed)]:
            if key not in _IGNORED:
                yield from _differences(
                    claimed.get(key, _Absent), found.get(key, _Absent), f"{place}.{key}"
                )
    elif isinstance(claimed, list) and isinstance(found, list):
        for number in range(max(len(claimed), len(found))):
            yield from _differences(
                claimed[number] if number < len(claimed) else _Absent,
                found[number] if number < len(found) else _Absent,
                f"{place}[{number}]",
            )
    elif claimed != found or type(claimed) is not type(found):
        yield Difference(
            place=place.lstrip("."),
            claimed=_told(claimed),
            found=_told(found),
            digits=_digits(claimed, found),
        )


class _Absent:
    """Stands for a value that is not there."""


def _told(value: Any) -> str:
    return "absent" if value is _Absent else json.dumps(value, ensure_ascii=False)[:80]


def _digits(claimed: Any, found: Any) -> float:
    numbers = [one for one in (claimed, found) if isinstance(one, int | float)]
    if len(numbers) < 2 or claimed == found:
        return EXACT if claimed == found else 0.0
    off = abs(claimed - found) / max(abs(claimed), abs(found))
    return max(0.0, math.floor(-math.log10(off)))


SCHEMA = "firelab/verified/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """Whether a series is what it claims to be.

    Attributes
    ----------
    files : tuple of FileVerdict
        Plan, fit and windows.
    drift : dict of str to (str, str)
        Package to the version then and now, where they differ.
    """

    files: tuple[FileVerdict, ...]
    drift: Mapping[str, tuple[str, str]]

    @property
    def agrees(self) -> bool:
        """Whether nothing differs."""
        return all(
            one.status in ("agrees", "extended", "not claimed") for one in self.files
        )

    def summary(self) -> str:
        """Return the verification as lines for a terminal."""
        lines = [one.summary() for one in self.files]
        if self.drift:
            told = ", ".join(
                f"{name} {then} then, {now} now" for name, (then, now) in self.drift.items()
            )
            lines.append(f"versions: {told}")
        else:
            lines.append("versions: the same then and now")
        return "\n".join(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the verification as plain values."""
        return {
            "schema": SCHEMA,
            "agrees": self.agrees,
            "files": [
                {
                    "file": one.file,
                    "status": one.status,
                    "numbers": one.numbers,
                    "digits": one.digits,
                    "differences": [
                        {"place": d.place, "claimed": d.claimed, "found": d.found}
                        for d in one.differences
                    ],
                    "note": one.note,
                }
                for one in self.files
            ],
            "drift": {name: list(pair) for name, pair in self.drift.items()},
        }


def verify_folder(folder: str | Path) -> Verification:
    """Recompute plan, fit and windows of a folder from its raw tables.

    Parameters
    ----------
    folder : str or Path
        As `unpack` writes it.

    Returns
    -------
    Verification
        A file that is not there is not claimed. Where values differ and
        package versions do too, the drift is named as the likely cause.

    Raises
    ------
    FirelabError
        If the series or the log cannot be read.
    """
    base = Path(folder)
    stored = {name: _stored(base / name) for name in (PLAN_FILE, FIT_FILE, WINDOWS_FILE)}
    drift = _drift(stored)
    verdicts = _verify_plan(base, stored[PLAN_FILE])
    verdicts += _verify_fit_and_windows(base, stored)
    return Verification(
        files=tuple(_explained(one, drift) for one in verdicts), drift=drift
    )


def _stored(path: Path) -> Any:
    if not path.is_file():
        return None
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError as fault:
        raise FirelabError(f"is not JSON: {fault}", path.name, "ask for it again") from None


def _drift(stored: Mapping[str, Any]) -> dict[str, tuple[str, str]]:
    now, drift = versions(), {}
    for content in stored.values():
        then = ((content or {}).get("provenance") or {}).get("versions") or {}
        for name, version in then.items():
            if now.get(name) != version:
                drift[str(name)] = (str(version), now.get(name, "not installed"))
    return drift


def _explained(verdict: FileVerdict, drift: Mapping[str, tuple[str, str]]) -> FileVerdict:
    if verdict.status != "differs":
        return verdict
    if drift:
        return replace(verdict, note="likely cause: package versions have drifted")
    return replace(
        verdict,
        note="versions are the same: the file was changed, or made on another type of "
        "machine or by an unreleased firelab",
    )


def _verify_plan(base: Path, claimed: Any) -> list[FileVerdict]:
    series = read_series(base)
    try:
        plan = _plan_anew(series, series_hash(base), claimed or {})
    except FirelabError as fault:
        return [
            FileVerdict(file=name, status="cannot be recomputed", note=fault.what)
            for name in (PLAN_TABLE, PLAN_FILE)
        ]
    text = (base / PLAN_TABLE).read_text(encoding="utf-8-sig")
    table = compare_lines(PLAN_TABLE, text, plan_table_text(plan, invented=series.invented))
    if table.status == "extended":
        return [table, FileVerdict(file=PLAN_FILE, status="extended", note=table.note)]
    content = plan_dict(plan, invented=series.invented)
    return [table, compare_json(PLAN_FILE, claimed, content)]


def _plan_anew(series: FiringSeries, digest: str, claimed: Mapping[str, Any]) -> Plan:
    """Plan as was asked then: kind, size and seed may have been given by option."""
    seed = int(claimed.get("seed", series.seed))
    wish = replace(series.plan, kind=str(claimed.get("kind", series.plan.kind)))
    plan = plan_series(replace(series, plan=wish), series_hash=digest, seed=seed)
    size = claimed.get("n_tiles", plan.n_tiles)
    if plan.n_tiles == size or series.plan.tiles == size:
        return plan
    try:
        sized = replace(series, plan=replace(wish, tiles=int(size)))
        return plan_series(sized, series_hash=digest, seed=seed)
    except FirelabError:
        return plan


def _verify_fit_and_windows(base: Path, stored: Mapping[str, Any]) -> list[FileVerdict]:
    names = (FIT_FILE, WINDOWS_FILE)
    if stored[FIT_FILE] is None:
        return [FileVerdict(file=name, status="not claimed") for name in names]
    options, stale = read_fit_options(base)
    if stale:
        note = f"it was made from another {', '.join(stale)}"
        return [
            FileVerdict(file=name, status="cannot be recomputed", note=note)
            for name in names
        ]
    fitted = fit_folder(base, options)
    verdict = compare_json(FIT_FILE, stored[FIT_FILE], fit_to_dict(fitted))
    claimed = stored[WINDOWS_FILE]
    if claimed is None:
        return [verdict, FileVerdict(file=WINDOWS_FILE, status="not claimed")]
    asked = {name: claimed.get(name) for name in ("probability", "confidence")}
    fit = ask_window(fitted.stage, **asked)
    windows = firing_windows(fit, fitted.clarity).to_dict()
    return [verdict, compare_json(WINDOWS_FILE, claimed, windows)]
