"""Where a recomputed file differs from the claimed one, and where only in rounding.

Another processor or another numpy adds numbers up in another order, so an honest
result comes out different far behind the decimal point. Values are compared within
tolerances that no maker could see; whatever is beyond them is named by its place.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from firelab.craft.trade_words import Shown
from firelab.series.folder import json_text

TOLERANCE_DEGC = 0.002
"""Largest difference of a temperature that is rounding, degC.

Chosen here: a kiln is set to 1 degC. Honest bundles differed by 1e-9 at most in the
environments of ``analyses/verification``; a change of 0.05 degC is 25 times this.
"""
TOLERANCE_S = 0.01
"""Of a time, s: as far below the second that a dwell is set to (chosen here)."""
TOLERANCE_SHARE = 0.0006
"""Of a probability: one of 2000 draws may fall on the other side (chosen here)."""
TOLERANCE_OTHER = 1e-5
"""Of any other number, relative where it is above 1 (chosen here)."""

_SHARES = frozenset({"probability", "assurance", "assured_share", "p", "p_value", "power"})
_LEFT_OUT = frozenset({"versions", "parts", "plan.csv"})
"""Package versions; and hashes of single parts of series.toml, whose whole is compared, and
of the plan's table, which is compared row by row and may have grown since a fit."""
_NEWER = frozenset({"place", "blank"})
"""Keys that a bundle made before may lack; there absent is the same as null."""
_DIAGNOSTICS = "convergence"
_DIAGNOSED = ("code", "sampler")
"""What of a fit's diagnostics is a claim; their other numbers are rounding's own."""
_MOST_NAMED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One place where the recomputed value is another.

    Attributes
    ----------
    place : str
        Path of keys inside the file, or its line and column.
    claimed, found : str
        Both values; ``absent`` where one of them has none.
    """

    place: str
    claimed: str
    found: str


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class FileVerdict(Shown):
    """What recomputing one file gave.

    Attributes
    ----------
    file : str
    status : str
        ``agrees``, ``differs``, ``extended`` (rows were added to a plan that else
        agrees), ``not claimed``, ``not recomputed`` (nothing it could be made from
        again, such as a photo) or ``cannot be recomputed``.
    numbers : int
        Numbers compared.
    rounded : int
        Of these, those that differ within the tolerances.
    largest_degC : float
        Largest of those differences in degC.
    differences : tuple of Difference
        Those beyond the tolerances.
    note : str
        Why it cannot be recomputed, or what explains a difference.
    """

    file: str
    status: str
    numbers: int = 0
    rounded: int = 0
    largest_degC: float = 0.0
    differences: tuple[Difference, ...] = ()
    note: str = ""

    def summary(self) -> str:
        """Return the verdict as lines for a terminal."""
        if self.status == "agrees" and not self.rounded:
            return f"{self.file}: agrees to the last digit ({self.numbers} numbers)"
        if self.status == "agrees":
            return (
                f"{self.file}: agrees within rounding ({self.numbers} numbers; the largest "
                f"difference is {self.largest_degC:.1g} degC)"
            )
        if self.status != "differs":
            return f"{self.file}: {self.status}" + (f": {self.note}" if self.note else "")
        count = len(self.differences)
        lines = [
            f"{self.file}: differs in {count} place{'s' if count != 1 else ''}",
            *(
                f"  {one.place}: claimed {one.claimed}, found {one.found}"
                for one in self.differences[:_MOST_NAMED]
            ),
        ]
        rest = count - _MOST_NAMED
        lines += [f"  and {rest} more"] if rest > 0 else []
        lines += [f"  {self.note}"] if self.note else []
        return "\n".join(lines)


class _Absent:
    """Stands for a value that is not there."""


def compare_json(
    file: str, claimed: Any, found: Any, *, degC_per_unit: float | None = None
) -> FileVerdict:
    """Compare the content of a file with what was recomputed.

    Parameters
    ----------
    file : str
    claimed : Any
        As read from JSON; None where the file is not there.
    found : Any
        As it would be written.
    degC_per_unit : float, optional
        What one latent unit of a stage's ``parameters`` is worth.

    Returns
    -------
    FileVerdict
        Package versions, and how far a sampler or an optimiser got, are left out.

    Examples
    --------
    >>> claimed = {"low_degC": 751.2500000001, "link": "logit"}
    >>> print(compare_json("w.json", claimed, {**claimed, "low_degC": 751.25}).summary())
    w.json: agrees within rounding (1 numbers; the largest difference is 1e-10 degC)
    >>> print(compare_json("w.json", claimed, {**claimed, "low_degC": 751.3}).summary())
    w.json: differs in 1 place
      low_degC: claimed 751.2500000001, found 751.3
    """
    if claimed is None:
        return FileVerdict(file=file, status="not claimed")
    again = json.loads(json_text(found))
    return _verdict(file, list(_leaves(claimed, again, ())), degC_per_unit)


def compare_table(
    file: str, claimed: str, found: str, *, may_grow: bool = False
) -> FileVerdict:
    """Compare a table with what was recomputed, cell by cell.

    Parameters
    ----------
    file : str
    claimed, found : str
        CSV.
    may_grow : bool, default False
        Further lines at the end of `claimed` make it ``extended``.
    """
    mine, right = _rows(claimed), _rows(found)
    shared = mine[: len(right)] if may_grow and len(mine) > len(right) else mine
    header = right[0] if right else []
    pairs = [
        pair
        for line in range(max(len(shared), len(right)))
        for pair in _row_pairs(shared, right, header, line)
    ]
    verdict = _verdict(file, pairs, None)
    added = len(mine) - len(shared)
    if added and verdict.status == "agrees":
        note = f"{added} rows were added to it later"
        return FileVerdict(file=file, status="extended", numbers=verdict.numbers, note=note)
    return verdict


_Pair = tuple[tuple[str, ...], Any, Any]


def _rows(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")))


def _row_pairs(
    mine: list[list[str]], right: list[list[str]], header: list[str], line: int
) -> Iterator[_Pair]:
    place = f"line {line + 1}"
    one = mine[line] if line < len(mine) else None
    other = right[line] if line < len(right) else None
    if one is None or other is None or len(one) != len(other):
        yield (place,), _joined(one), _joined(other)
        return
    for column, a, b in zip(header, one, other, strict=False):
        yield (place, column), _cell(a), _cell(b)


def _joined(cells: list[str] | None) -> Any:
    return _Absent if cells is None else ",".join(cells)


def _cell(text: str) -> Any:
    try:
        value = float(text)
    except ValueError:
        return text
    return value if math.isfinite(value) else text


def _leaves(claimed: Any, found: Any, path: tuple[str, ...]) -> Iterator[_Pair]:
    if isinstance(claimed, dict) and isinstance(found, dict):
        newer = {key for key in _NEWER if found.get(key, "") is None}
        keys = [*claimed, *(key for key in found if key not in {*claimed, *newer})]
        if path and path[-1] == _DIAGNOSTICS:
            keys = [key for key in keys if key in _DIAGNOSED]
        for key in keys:
            if key not in _LEFT_OUT:
                yield from _leaves(
                    claimed.get(key, _Absent), found.get(key, _Absent), (*path, str(key))
                )
    elif isinstance(claimed, list) and isinstance(found, list):
        for place in range(max(len(claimed), len(found))):
            a = claimed[place] if place < len(claimed) else _Absent
            b = found[place] if place < len(found) else _Absent
            yield from _leaves(a, b, (*path, f"[{place}]"))
    else:
        yield path, claimed, found


def _verdict(file: str, pairs: list[_Pair], degC_per_unit: float | None) -> FileVerdict:
    differences, rounded, largest = [], 0, 0.0
    for path, claimed, found in pairs:
        if claimed == found and type(claimed) is type(found):
            continue
        off_degC = _rounding_degC(path, claimed, found, degC_per_unit)
        if off_degC is None:
            differences.append(
                Difference(
                    place=_place(path), claimed=_written(claimed), found=_written(found)
                )
            )
        else:
            rounded += 1
            largest = max(largest, off_degC)
    return FileVerdict(
        file=file,
        status="differs" if differences else "agrees",
        numbers=sum(_is_number(found) for _, _, found in pairs),
        rounded=rounded,
        largest_degC=largest,
        differences=tuple(differences),
    )


def _rounding_degC(
    path: tuple[str, ...], claimed: Any, found: Any, degC_per_unit: float | None
) -> float | None:
    """Return a difference in degC (0 for other units), None where it is no rounding."""
    if not (_is_number(claimed) and _is_number(found)):
        return None
    if isinstance(claimed, int) and isinstance(found, int):
        return None  # a count or a code is right or wrong
    off = abs(claimed - found)
    names = [name for name in path if not name.startswith(("[", "line "))]
    name = next(
        (one for one in reversed(names) if "_degC" in one), names[-1] if names else ""
    )
    if "_degC" in name:
        return off if off <= TOLERANCE_DEGC else None
    if "parameters" in names and degC_per_unit is not None:
        return off * degC_per_unit if off * degC_per_unit <= TOLERANCE_DEGC else None
    if name in _SHARES:
        limit = TOLERANCE_SHARE
    elif any(one.endswith("_s") for one in names):
        limit = TOLERANCE_S
    else:
        limit = TOLERANCE_OTHER * max(1.0, abs(claimed), abs(found))
    return 0.0 if off <= limit else None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _place(path: tuple[str, ...]) -> str:
    if path and path[0].startswith("line "):
        return ", ".join(path)
    return ".".join(path).replace(".[", "[")


def _written(value: Any) -> str:
    return "absent" if value is _Absent else json.dumps(value, ensure_ascii=False)[:80]


def degC_per_latent_unit(fit: Mapping[str, Any], half_range_degC: float) -> float | None:
    """Return what a latent unit of a stage fit is worth, degC.

    Parameters
    ----------
    fit : mapping
        Content of ``fit.json``.
    half_range_degC : float
        Of one coded unit of temperature.

    Returns
    -------
    float or None
        None where the temperature is no term of it.
    """
    parameters = (fit.get("stage") or {}).get("parameters") or ()
    for one in parameters:
        if one.get("name") == "temperature":
            steepness = one.get("mean", one.get("estimate"))
            if _is_number(steepness) and steepness > 0:
                return half_range_degC / float(steepness)
    return None
