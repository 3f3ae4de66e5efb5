"""What a plan takes: firings before the test, powder, and each need beside the budget.

Back and front take turns, back first, so that a tile is never more than one
coat out of balance while it is prepared, and the test coat meets a back that
carries as many coats as the front will, unless the series asks for less. The
coats give the powder that a plan needs; with tiles, loads and hours it is held against
what there is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.craft.trade_words import BARE
from firelab.plan.plan import Plan, PlannedPreparation
from firelab.series.declared_parts import PreparationFiring
from firelab.series.firing_series import FiringSeries
from firelab.series.kiln_settings import ANY_TEMPERATURE, settable_temperature

COUNTER = "counter-enamel"


def front_coats(tiles: pd.DataFrame) -> pd.Series[int]:
    """Return how many coats each row's tile carries on the front, base included."""
    return tiles["layers"] + (tiles["base"] != BARE).astype("int64")


def back_coats(series: FiringSeries, tiles: pd.DataFrame) -> pd.Series[int]:
    """Return how many coats each row's tile carries on the back."""
    front = front_coats(tiles)
    if series.preparation.back == "as the front":
        return front
    return front * 0 + (1 if series.preparation.back == "one coat" else 0)


def _steps(
    series: FiringSeries, tiles: pd.DataFrame
) -> Iterator[tuple[str, str, str, PreparationFiring, pd.DataFrame]]:
    firings = series.preparation
    coats, backs = front_coats(tiles), back_coats(series, tiles)
    for coat in range(1, int(coats.max()) + 1):
        yield COUNTER, COUNTER, "back", firings.counter, tiles[backs >= coat]
        more = tiles[coats > coat]
        on_base = (more["base"] != BARE) & (coat == 1)
        for base, rows in more[on_base].groupby("base", sort=True):
            yield "base coat", str(base), "front", firings.base, rows
        for name, rows in more[~on_base].groupby(_powder_names(series, more[~on_base])):
            yield "test coat", str(name), "front", firings.coat, rows


def _powder_names(series: FiringSeries, tiles: pd.DataFrame) -> pd.Series[str]:
    """Return what is sifted on each row's tile: colour and mesh."""
    control = series.plan.control.colour if series.plan.control else ""
    colour = np.where(tiles["role"] == "control", control, series.enamel.colour)
    names = [f"{c}, {m} mesh" for c, m in zip(colour, tiles["mesh"], strict=True)]
    return pd.Series(names, index=tiles.index, dtype="str")


def plan_preparation(
    series: FiringSeries, tiles: pd.DataFrame
) -> tuple[PlannedPreparation, ...]:
    """Return the preparation firings of a plan in their order.

    Parameters
    ----------
    series : FiringSeries
        Fixes temperature and dwell of each kind of preparation; a temperature is
        taken to the nearest that the kiln can be set to.
    tiles : DataFrame
        Rows of a plan; a tile fired several times is prepared once.
    """
    once = tiles.drop_duplicates("tile")
    if not len(once):
        return ()
    steps = [step for step in _steps(series, once) if len(step[-1])]
    return tuple(
        PlannedPreparation(
            step=number,
            purpose=purpose,
            coat=coat,
            face=face,
            temperature_degC=settable_temperature(
                series, firing.temperature, ANY_TEMPERATURE
            ),
            dwell_s=firing.dwell,
            tiles=tuple(rows["tile"]),
        )
        for number, (purpose, coat, face, firing, rows) in enumerate(steps, start=1)
    )


def coat_grams(series: FiringSeries) -> float:
    """Return what one coat on one face takes from the jar, g, loss included."""
    on_tile = series.coat.weight_g_m2 * series.blank.area_m2
    return on_tile / (1.0 - series.coat.loss)


def mesh_grams(series: FiringSeries, tiles: pd.DataFrame) -> dict[int, float]:
    """Return grams of test enamel by mesh, loss included.

    Parameters
    ----------
    series : FiringSeries
        Fixes coat and tile.
    tiles : DataFrame
        Rows of a plan; a tile fired several times is powdered once.
    """
    once = tiles[tiles["role"] != "control"].drop_duplicates("tile")
    coats = once.groupby("mesh")["layers"].sum()
    return {int(str(mesh)): float(n) * coat_grams(series) for mesh, n in coats.items()}


def powder_needed(
    series: FiringSeries, tiles: pd.DataFrame, preparation: Sequence[PlannedPreparation]
) -> dict[str, float]:
    """Return grams to weigh out: by mesh, by base, and of counter-enamel.

    Parameters
    ----------
    series : FiringSeries
        Fixes coat, loss and tile.
    tiles : DataFrame
        Rows of a plan.
    preparation : sequence of PlannedPreparation
        Coats that are fired before the test.

    Returns
    -------
    dict of str to float
        Such as ``"80 mesh"``, ``"base hard clear"``, ``"counter-enamel"``; to
        0.01 g.
    """
    grams = {f"{mesh} mesh": g for mesh, g in mesh_grams(series, tiles).items()}
    control = tiles[tiles["role"] == "control"].drop_duplicates("tile")
    if series.plan.control is not None and len(control):
        name = f"control {series.plan.control.colour}"
        grams[name] = float(control["layers"].sum()) * coat_grams(series)
    for step in preparation:
        if step.purpose == "test coat":
            continue
        name = f"base {step.coat}" if step.purpose == "base coat" else step.purpose
        grams[name] = grams.get(name, 0.0) + len(step.tiles) * coat_grams(series)
    return {name: round(amount, 2) for name, amount in grams.items()}


def powder_left(series: FiringSeries, plan: Plan) -> Mapping[int, float]:
    """Return the grams of each budgeted mesh that the plan leaves, g.

    Parameters
    ----------
    series : FiringSeries
        Its budget says what there is; a mesh without a budget is left out.
    plan : Plan
        What is used.
    """
    used = mesh_grams(series, plan.tiles)
    meshes = dict.fromkeys([*series.factors.mesh.levels, *series.budget.grams])
    there = {mesh: series.budget.grams_there(mesh) for mesh in meshes}
    return {
        mesh: round(grams - used.get(mesh, 0.0), 2)
        for mesh, grams in there.items()
        if grams is not None
    }


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
