"""What every kind of plan is and proposes, and how coded designs become settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import pandas as pd

from firelab.arrays import IntArray
from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind, with_levels
from firelab.plan.plan import as_settings, is_allowed
from firelab.series.factors import COLUMN_OF, FACTORS, FactorName
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.terms import coding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proposal:
    """The settings that a kind wants fired, before loads and order.

    Attributes
    ----------
    settings : DataFrame, n rows
        Columns ``temperature_degC, dwell_s, mesh, layers, base``, one row per
        test firing. Two optional columns: ``plot``, the load that a row
        belongs to where the kind has chosen it; ``ladder``, the number of the
        tile where one tile is fired several times, in the order of its rows.
    figures : mapping
        What only the kind knows, such as its generators.
    notes : tuple of str
        What the plan should say about it in words.
    """

    settings: pd.DataFrame
    figures: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


class Propose(Protocol):
    """How a kind turns a series into settings."""

    def __call__(
        self, series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
    ) -> Proposal:
        """Return the settings, of `n_tiles` tiles where the kind can choose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanKind:
    """One kind of plan.

    Attributes
    ----------
    name : str
        As written in ``plan.kind`` of series.toml.
    description : str
        One line.
    propose : callable
        See `Propose`.
    sized : bool
        The kind takes any number of tiles, and is asked for fewer where the
        budget does not suffice.
    fixes_tiles : bool
        Whether it says before the first firing which tiles there are.
    """

    name: str
    description: str
    propose: Propose
    sized: bool = False
    fixes_tiles: bool = True


def keep_allowed(
    series: FiringSeries,
    settings: pd.DataFrame,
    *,
    notes: Sequence[str] = (),
) -> Proposal:
    """Return a proposal of the settings that the rules allow, saying what fell out."""
    allowed = is_allowed(series, settings)
    remarks = list(notes)
    if not allowed.all():
        n_out = int((~allowed).sum())
        remarks.append(f"{n_out} of {len(settings)} settings are forbidden and left out.")
    return Proposal(settings=as_settings(settings[allowed]), notes=tuple(remarks))


def other_mixes(series: FiringSeries, designed: Sequence[FactorName]) -> pd.DataFrame:
    """Return every mix of the factors that are not in a design, one row each."""
    mixes = pd.DataFrame({"_": [0]})
    for name in FACTORS:
        if name not in designed:
            levels = pd.DataFrame({COLUMN_OF[name]: list(series.factors.levels(name))})
            mixes = mixes.merge(levels, how="cross")
    return mixes.drop(columns="_")


def cross_with_mixes(
    series: FiringSeries, designed: Sequence[FactorName], points: pd.DataFrame
) -> pd.DataFrame:
    """Return the points of a design at every mix of the other factors.

    Parameters
    ----------
    series : FiringSeries
    designed : sequence of str
        Factors of the design.
    points : DataFrame
        Their columns of ``plan.csv``, one row per point.
    """
    mixes = other_mixes(series, designed)
    if not len(mixes.columns):
        return as_settings(points)
    return as_settings(points.merge(mixes, how="cross"))


Level = float | int | str


def _two_ends(series: FiringSeries, name: FactorName, kind: str) -> tuple[Level, Level]:
    """Return the lower and the upper level of a factor."""
    levels = series.factors.levels(name)
    if name == "base":
        if len(levels) > 2:
            raise InfeasiblePlan(
                f"a {kind} plan takes two levels of each factor",
                [Conflict(path=("factors", "base"), says=f"has {len(levels)} bases")],
                f"two bases, {levels[0]} and {levels[1]}",
                series=with_levels(series, "base", levels[:2]),
            )
        return levels[0], levels[-1]
    low, high = series.span(name)
    return (low, high) if name in ("temperature", "dwell") else (int(low), int(high))


def middle_level(series: FiringSeries, name: FactorName) -> Level:
    """Return the level of an ordered factor nearest to its coded middle.

    A range gives the settable value in its middle, in degC or ln s.
    """
    if series.factors.is_range(name):
        low, high = series.span(name)
        if name == "temperature":
            return settable_temperature(series, (low + high) / 2)
        return settable_dwell(series, float(np.sqrt(low * high)))
    levels = [float(level) for level in series.factors.levels(name)]
    nearest = int(np.abs(coding(series, name).code(levels)).argmin())
    return series.factors.levels(name)[nearest]


def three_level_factors(series: FiringSeries) -> tuple[FactorName, ...]:
    """Return the varied ordered factors that have a middle between low and high."""
    return tuple(
        name
        for name in series.varied
        if name != "base"
        and (series.factors.is_range(name) or len(series.factors.levels(name)) >= 3)
    )


def _centre_settings(series: FiringSeries, n: int) -> pd.DataFrame:
    """Return n settings in the middle of every factor that has one.

    The others stand at their two ends by turns, one factor twice as slowly as the next.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 5.3.3.7: adding centre points.
    """
    middles = three_level_factors(series)
    if not middles:
        raise InfeasiblePlan(
            "tiles in the middle need a factor with a level between its ends",
            [Conflict(path=("plan", "centre"), says=f"asks for {n}")],
            "leave centre out, or give temperature or dwell a range",
            series=of_kind(series, series.plan.kind, centre=None),
        )
    columns: dict[FactorName, list[Level]] = {
        name: [middle_level(series, name)] * n for name in middles
    }
    others = [name for name in series.varied if name not in middles]
    for place, name in enumerate(others):
        ends = _two_ends(series, name, series.plan.kind)
        columns[name] = [ends[(turn >> place) & 1] for turn in range(n)]
    return settings_of_levels(series, columns)


def with_centre(series: FiringSeries, settings: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return the settings of a two-level plan with its centre, and what to say of it.

    Parameters
    ----------
    series : FiringSeries
        ``plan.centre`` says how many tiles stand in the middle; none where it does not.
    settings : DataFrame
    """
    n, middles = series.plan.centre or 0, ", ".join(three_level_factors(series))
    if not n:
        note = "Each factor stands at its two ends; a bend between them is not seen"
        more = f"; centre = 3 under [plan] adds tiles in the middle of {middles}"
        return settings, note + (more if middles else "") + "."
    centre = _centre_settings(series, n)
    allowed = is_allowed(series, centre)
    note = f"{int(allowed.sum())} tiles stand in the middle of {middles}: they show "
    note += "whether there is a bend, not whose it is."
    return as_settings(pd.concat([settings, centre[allowed]])), note


def settings_of_levels(
    series: FiringSeries, columns: Mapping[FactorName, Sequence[Level]]
) -> pd.DataFrame:
    """Return settings from the columns of the varied factors; others held.

    Parameters
    ----------
    series : FiringSeries
        Supplies the single level of each factor that is not named.
    columns : mapping of str to sequence
        Factor to its value in each row; at least one factor.
    """
    n = len(next(iter(columns.values())))
    frame = {
        COLUMN_OF[name]: list(columns[name])
        if name in columns
        else [series.factors.levels(name)[0]] * n
        for name in FACTORS
    }
    return as_settings(pd.DataFrame(frame))


def settings_of_signs(
    series: FiringSeries, names: Sequence[FactorName], signs: IntArray, kind: str
) -> pd.DataFrame:
    """Return the settings of a design of -1 and +1.

    Parameters
    ----------
    series : FiringSeries
    names : sequence of str, length k
        Factor of each column.
    signs : ndarray of int, shape (n, k)
    kind : str
        Named where a factor does not fit.

    Raises
    ------
    InfeasiblePlan
        As `_two_ends`.
    """
    columns: dict[FactorName, list[Level]] = {}
    for place, name in enumerate(names):
        low, high = _two_ends(series, name, kind)
        columns[name] = [high if sign > 0 else low for sign in signs[:, place]]
    return settings_of_levels(series, columns)


def require_varied(series: FiringSeries, least: int, kind: str) -> None:
    """Refuse a kind that needs more factors than the series varies.

    Raises
    ------
    InfeasiblePlan
    """
    n = len(series.varied)
    if n < least:
        varied = ", ".join(series.varied) or "nothing"
        raise InfeasiblePlan(
            f"a {kind} plan needs {least} varied factors",
            [Conflict(path=("factors",), says=f"only {varied} has several levels")],
            "a factorial plan of what is varied",
            series=of_kind(series, "factorial"),
        )
