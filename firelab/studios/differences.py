"""Where a recomputed file differs from the claimed one, number by number."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from firelab.series.folder import json_text

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
