"""What a plan needs beside what there is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from firelab.plan.stock.preparation import mesh_grams
from firelab.series.firing_series import FiringSeries

_NOTHING = 1e-9
"""A shortage below this is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """One thing that a plan takes from the budget.

    Attributes
    ----------
    name, unit : str
        Such as ``grams of 80 mesh`` and ``g``.
    key : str
        Where it stands in series.toml.
    needed : float
    there : float or None
        None where the budget does not bind it.
    """

    name: str
    unit: str
    key: str
    needed: float
    there: float | None

    @property
    def short(self) -> float:
        """By how much it does not fit; 0 where it does."""
        over = 0.0 if self.there is None else self.needed - self.there
        return over if over > _NOTHING else 0.0

    @property
    def ample(self) -> float:
        """What suffices, rounded up to two decimals."""
        return math.ceil(self.needed * 100 - _NOTHING) / 100

    def __str__(self) -> str:
        """Say need and budget."""
        unit = f" {self.unit}" if self.unit else ""
        text = f"{self.name}: {_written(self.needed)}{unit} needed"
        if self.there is None:
            return text
        text += f", {_written(self.there)}{unit} there"
        return text + (f", {_written(self.short)}{unit} short" if self.short else "")


def _written(amount: float) -> str:
    """Write an amount to two decimals; a small one is not written as nothing."""
    return f"{round(amount, 2) or amount:.6g}"


def budget_needs(
    series: FiringSeries, tiles: pd.DataFrame, time_h: Mapping[str, float]
) -> tuple[Need, ...]:
    """Return what the rows of a plan take, each beside its budget.

    Parameters
    ----------
    series : FiringSeries
        Its budget says what there is.
    tiles : DataFrame
        Rows of a plan.
    time_h : mapping of str to float
        Hours; see ``kiln_hours``.
    """
    budget = series.budget
    counts = (
        ("blanks", tiles["tile"].nunique(), budget.blanks),
        ("loads", tiles["load"].nunique(), budget.loads),
        ("sessions", tiles["session"].nunique(), budget.sessions),
    )
    needs = [
        Need(name=name, unit="", key=f"budget.{name}", needed=needed, there=there)
        for name, needed, there in counts
    ]
    for mesh, grams in mesh_grams(series, tiles).items():
        needs.append(
            Need(
                name=f"powder of {mesh} mesh",
                unit="g",
                key=f"budget.grams.{mesh}",
                needed=grams,
                there=budget.grams_there(mesh),
            )
        )
    needs.append(
        Need(
            name="kiln time",
            unit="h",
            key="budget.hours",
            needed=time_h["total"],
            there=budget.hours,
        )
    )
    return tuple(needs)


def budget_figures(
    series: FiringSeries, tiles: pd.DataFrame, time_h: Mapping[str, float]
) -> dict[str, dict[str, float | None]]:
    """Return `budget_needs` as plain values for ``plan.json``."""
    return {
        need.name: {"needed": round(need.needed, 2), "there": need.there}
        for need in budget_needs(series, tiles, time_h)
    }
