"""A refusal of a plan: the lines that conflict, the nearest plan, and changed series."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from firelab.errors import FaultyFile, FirelabError
from firelab.series.factors import FactorName
from firelab.series.firing_series import FiringSeries, with_part
from firelab.series.folder import SERIES_FILE
from firelab.series.toml_file import finding_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """One line of series.toml that stands against the others.

    Attributes
    ----------
    path : tuple of str or int
        Keys from the outside in, such as ``("budget", "blanks")``.
    says : str
        What that line asks, with its value.
    """

    path: tuple[str | int, ...]
    says: str


class InfeasiblePlan(FirelabError):
    """No plan can do what the series asks.

    Parameters
    ----------
    what : str
        What cannot be.
    conflicts : iterable of Conflict
        The lines that stand against each other, at least one.
    nearest : str
        The nearest possible plan, in words.
    series : FiringSeries, optional
        A changed series that a plan can serve, where changing it suffices.
    """

    def __init__(
        self,
        what: str,
        conflicts: Iterable[Conflict],
        nearest: str,
        *,
        series: FiringSeries | None = None,
    ) -> None:
        self.conflicts = tuple(conflicts)
        self.nearest = nearest
        self.series = series
        places = ", ".join(".".join(map(str, one.path)) for one in self.conflicts)
        super().__init__(what, f"{SERIES_FILE} {places}:", f"nearest possible: {nearest}")


def with_lines(fault: InfeasiblePlan, text: str) -> FaultyFile:
    """Return the fault as findings, one for each conflicting line of a series.toml."""
    return FaultyFile(
        finding_at(
            "impossible-plan",
            one.path,
            text,
            SERIES_FILE,
            f"{one.says}; {fault.what}",
            fault.hint,
        )
        for one in fault.conflicts
    )


def rule_conflicts(series: FiringSeries) -> list[Conflict]:
    """Return every rule of a series as a conflict."""
    return [
        Conflict(path=("rules", i), says=str(rule)) for i, rule in enumerate(series.rules)
    ]


def with_levels(
    series: FiringSeries, factor: FactorName, levels: Sequence[float | int | str]
) -> FiringSeries:
    """Return the series with a factor at the given levels."""
    kind = type(getattr(series.factors, factor))
    return with_part(series, "factors", **{factor: kind(levels=tuple(levels))})


def of_kind(series: FiringSeries, kind: str, **wish: Any) -> FiringSeries:
    """Return the series with another kind of plan, and further keys of ``plan``."""
    return with_part(series, "plan", kind=kind, **wish)
