"""The fits as tables: parameters with their intervals, and how good they are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from firelab.fits.clarity_fit import ClarityFit
from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.report.page_parts import PageTable


def stage_parameter_table(fit: StagePosterior) -> PageTable:
    """Return one row per threshold, effect and deviation of the stage."""
    level = f"{fit.series.window.level:.0%}"
    rows = tuple(
        (
            str(row["kind"]),
            str(row["name"]),
            *(_number(row[name]) for name in ("median", "lower", "upper")),
        )
        for row in fit.table.to_dict("records")
    )
    return PageTable(
        caption=(
            f"Stage: what the tiles say ({fit.link} link; latent units per coded unit, "
            "from the middle of the range to its end)"
        ),
        head=("kind", "name", "median", f"{level} from", "to"),
        rows=rows,
        classes=("", "", "number", "number", "number"),
    )


def clarity_parameter_table(clarity: ClarityFit) -> PageTable:
    """Return one row per coefficient and deviation of the clearness score."""
    level = f"{clarity.series.window.level:.0%}"
    names = (
        "posterior_mean",
        "lower",
        "upper",
        "estimate",
        "standard_error",
        "df",
        "p_value",
    )
    rows = tuple(
        (str(row["column"]), *(_number(row[name]) for name in names))
        for row in clarity.table.to_dict("records")
    )
    return PageTable(
        caption=(
            "Clearness score per coded unit: the posterior that the windows use, and the "
            "same without priors, for tests"
        ),
        head=(
            "name",
            "mean",
            f"{level} from",
            "to",
            "without priors",
            "standard error",
            "df",
            "p",
        ),
        rows=rows,
        classes=("", *("number",) * 7),
    )


def quality_table(convergence: Mapping[str, Any], caption: str) -> PageTable:
    """Return a convergence record as name and value."""
    rows = tuple(
        (name.replace("_", " "), _number(value) if _is_number(value) else str(value))
        for name, value in convergence.items()
        if value is not None and name != "code"
    )
    return PageTable(
        caption=caption, head=("measure", "value"), rows=rows, classes=("", "text")
    )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any) -> str:
    if pd.isna(value):
        return ""
    return f"{value:.4g}" if abs(value) >= 0.001 or value == 0 else f"{value:.1e}"
