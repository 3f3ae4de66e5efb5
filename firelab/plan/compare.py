"""Kinds and sizes of plan side by side."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import pandas as pd

from firelab.errors import FirelabError
from firelab.plan.make_plan import plan_series
from firelab.plan.plan import Plan
from firelab.plan.registry import KINDS
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
    lines = []
    for kind in kinds:
        for asked in sizes if kind in KINDS and KINDS[kind].sized else (None,):
            wish = dataclasses.replace(series.plan, kind=kind, tiles=asked)
            try:
                plan = plan_series(dataclasses.replace(series, plan=wish), seed=seed)
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
    told = [
        f"- {kind}{'' if pd.isna(tiles) else f', {int(tiles)} tiles'}: {remark}"
        for kind, tiles, remark in zip(
            frame["kind"], frame["tiles"], frame["remark"], strict=True
        )
        if remark
    ]
    return "\n".join([*lines, *told, *_HOW_TO_READ])


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return value
    if pd.isna(value):
        return "-"
    return f"{value:.3g}" if isinstance(value, float) else str(value)
