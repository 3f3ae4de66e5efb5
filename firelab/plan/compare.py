"""Kinds and sizes of plan side by side, and the best N tiles to add to a plan."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from firelab.errors import FirelabError
from firelab.plan.design_figures import seen_settings
from firelab.plan.extend import extend_plan
from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind
from firelab.plan.kinds.optimal import I_OPTIMAL
from firelab.plan.kinds.registry import KINDS
from firelab.plan.make_plan import make_plan, shortages
from firelab.plan.optimal.choose import (
    ProtectedCandidates,
    choose_settings,
    most_loads,
    potential_terms,
    protect_against_bends,
)
from firelab.plan.optimal.information import information_matrix
from firelab.plan.optimal.series_candidates import model_rows_of, series_candidates
from firelab.plan.plan import Plan
from firelab.plan.stock import coat_grams, powder_left
from firelab.series.firing_series import FiringSeries

COMPARED: tuple[str, ...] = (
    "kind",
    "asked",
    "tiles",
    "loads",
    "hours",
    "powder_g",
    "D",
    "G",
    "I",
    "mean_error_sd",
    "worst_error_sd",
    "least_power",
    "remark",
)
"""Columns of a comparison.

``D, G, I`` as in plan.json; the errors are standard errors of a prediction over
the region, mean and worst, in standard deviations within a load;
``least_power`` is that of the weakest term for the stated shift.
"""


def _line(kind: str, asked: int | None, plan: Plan) -> dict[str, Any]:
    figures = plan.figures
    line: dict[str, Any] = {
        "kind": kind,
        "asked": asked,
        "tiles": plan.n_tiles,
        "loads": int(plan.tiles["load"].nunique()),
        "hours": plan.time_h["total"],
        "powder_g": round(sum(g for n, g in plan.powder_g.items() if "mesh" in n), 1),
        "remark": "smaller, to fit the budget" if "shortfall" in figures else "",
    }
    if not figures["estimable"]:
        lost = ", ".join(figures["inseparable"])
        return line | {"remark": f"cannot tell apart {lost}"}
    powers = [one["power"] for one in figures["power"].values()]
    variance = figures["prediction_variance"]
    return line | {
        "D": figures["efficiency"]["D"],
        "G": figures["efficiency"]["G"],
        "I": figures["efficiency"]["I"],
        "mean_error_sd": round(variance["mean"] ** 0.5, 3),
        "worst_error_sd": round(variance["largest"] ** 0.5, 3),
        "least_power": None if None in powers else min(powers),
    }


_NOTHING_FIXED = "fixes no tiles beforehand, so there is no design to compare"


def compare_plans(
    series: FiringSeries,
    *,
    kinds: Sequence[str] = tuple(KINDS),
    sizes: Sequence[int | None] = (None,),
    seed: int | None = None,
) -> pd.DataFrame:
    """Return one row per kind and size; what cannot be planned says why.

    Kinds of fixed size stand once.

    Parameters
    ----------
    series : FiringSeries
    kinds : sequence of str
        Names of kinds; all of them where absent.
    sizes : sequence of int or None
        Tiles asked for; None leaves the size to the kind.
    seed : int, optional
        In place of the seed of the series.

    Returns
    -------
    DataFrame
        Columns of `COMPARED`; best mean error first, what cannot be planned
        last.
    """
    lines: list[dict[str, Any]] = []
    for kind in kinds:
        if kind in KINDS and not KINDS[kind].fixes_tiles:
            lines.append({"kind": kind, "remark": _NOTHING_FIXED})
            continue
        for asked in sizes if kind in KINDS and KINDS[kind].sized else (None,):
            # A size is that of all tiles, not of each time the plan is repeated.
            repeats = series.plan.repeats if asked == series.plan.tiles else 1
            try:
                wished = of_kind(series, kind, tiles=asked, repeats=repeats)
                plan = make_plan(wished, seed=seed)
                lines.append(_line(kind, asked, plan))
            except FirelabError as fault:
                lines.append({"kind": kind, "asked": asked, "remark": fault.what})
    frame = pd.DataFrame(lines, columns=list(COMPARED))
    # Two sizes can end in the same plan, where the kind or the budget has the word.
    frame = frame.drop_duplicates([name for name in COMPARED if name != "asked"])
    return frame.sort_values(
        ["mean_error_sd", "kind"], na_position="last", kind="stable", ignore_index=True
    )


_HOW_TO_READ = (
    "error, worst: standard error of a prediction, mean and worst over the region, in",
    "standard deviations within a load; power: of the weakest term, for the stated shift;",
    "g: grams of test enamel. Smaller is better for error, worst and I;",
    "larger for D, G and power.",
)
_SHORT_NAMES = {
    "powder_g": "g",
    "mean_error_sd": "error",
    "worst_error_sd": "worst",
    "least_power": "power",
}


def comparison_text(frame: pd.DataFrame) -> str:
    """Return a comparison as a plain table with remarks and how to read it."""
    planned = frame[frame["tiles"].notna()].astype({"tiles": "int64", "loads": "int64"})
    shown = planned.drop(columns=["asked", "remark"])
    rows = [[_SHORT_NAMES.get(name, name) for name in shown.columns]]
    rows += [[_cell(value) for value in row] for row in shown.itertuples(index=False)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    lines = [
        "  ".join(
            cell.ljust(width) if place == 0 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]
    remarks = [
        f"- {kind}{'' if pd.isna(tiles) else f', {int(tiles)} tiles'}: {remark}"
        for kind, tiles, remark in zip(
            frame["kind"], frame["tiles"], frame["remark"], strict=True
        )
        if remark
    ]
    return "\n".join([*lines, *remarks, *_HOW_TO_READ])


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return value
    if pd.isna(value):
        return "-"
    return f"{value:.3g}" if isinstance(value, float) else str(value)


_ADD_STREAM = 11
"""Keeps the random stream of added tiles apart from the others of a seed."""


def _candidates_left(series: FiringSeries, plan: Plan) -> ProtectedCandidates:
    """Return the candidates with the powder that the plan leaves."""
    terms = (*series.terms, *potential_terms(series))
    choice = series_candidates(series, terms=terms)
    left = powder_left(series, plan)
    meshes = [mesh for mesh in series.factors.mesh.levels if mesh in left]
    grams = np.array([left[mesh] for mesh in meshes], dtype=float)
    limits = np.floor(np.maximum(grams, 0.0) / coat_grams(series) + 1e-9)
    candidates = dataclasses.replace(choice.candidates, limits=limits)
    return protect_against_bends(series, dataclasses.replace(choice, candidates=candidates))


def _room(series: FiringSeries, plan: Plan, n: int) -> tuple[int, list[Conflict]]:
    """Return how many of n tiles the blanks and loads left allow, and what binds."""
    binding = []
    room = n
    if series.budget.blanks is not None:
        blanks = series.budget.blanks - plan.n_tiles
        if blanks < n:
            says = f"{blanks} of {series.budget.blanks} blanks are left"
            binding.append(Conflict(path=("budget", "blanks"), says=says))
        room = min(room, blanks)
    # What the plan left of the budget's loads is for the tiles that follow it.
    whole = dataclasses.replace(series.plan, loads=None)
    loads = most_loads(dataclasses.replace(series, plan=whole))
    if loads is not None:
        left = loads - int(plan.tiles["load"].nunique())
        if left * series.budget.places < n:
            says = f"{max(left, 0)} of {loads} loads are left"
            binding.append(Conflict(path=("budget", "loads"), says=says))
        room = min(room, left * series.budget.places)
    return max(room, 0), binding


def add_best_tiles(series: FiringSeries, plan: Plan, n: int) -> Plan:
    """Return the plan with the best n tiles added, in a further session.

    Best by the series' criterion (the mean prediction variance for an i-optimal
    series, else the determinant), given what stands; within the blanks, loads,
    powder and hours that are left.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
        Kept as it stands, fired or not.
    n : int
        Tiles to add; fewer are added, and it is said, where the budget binds.

    Raises
    ------
    InfeasiblePlan
        If nothing is left to add from.
    """
    protected = _candidates_left(series, plan)
    seen = seen_settings(series, plan.tiles)
    raw = model_rows_of(series, seen, (*series.terms, *potential_terms(series)))
    standing = information_matrix(
        protected.rows_of(raw),
        seen["load"].to_numpy(dtype=np.int64),
        series.plan.load_variance_ratio,
    )
    room, binding = _room(series, plan, n)
    before = {need.name: need.short for need in shortages(series, plan)}
    for size in range(room, 0, -1):
        rng = np.random.default_rng([plan.provenance.seed, _ADD_STREAM, len(seen), size])
        chosen = choose_settings(
            series,
            protected,
            n=size,
            criterion="I" if series.plan.kind == I_OPTIMAL.name else "D",
            rng=rng,
            n_loads=math.ceil(size / series.budget.places),
            standing=standing,
        )
        if chosen is None:
            continue
        note = f"Added: the best {size} tiles beside what stood."
        if size < n:
            note += f" {n} were asked for; " + (
                "; ".join(one.says for one in binding) or "powder or hours bind"
            )
        longer = extend_plan(series, plan, chosen.settings, note=note)
        worse = [
            need
            for need in shortages(series, longer)
            if need.short > before.get(need.name, 0.0)
        ]
        if not worse:
            return longer
        binding += [
            Conflict(path=tuple(need.key.split(".")), says=str(need)) for need in worse
        ]
    raise InfeasiblePlan(
        f"no tile can be added to {plan.n_tiles}",
        binding or [Conflict(path=("budget",), says="no powder is left")],
        "the plan as it stands; raise what binds",
    )
