"""What to do about a studio that stands out: look for the cause, never delete."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

    from firelab.studios.precision import Precision

_NEVER = (
    "Leave no studio out for standing out alone: pool with and without it and show both; "
    "leave it out only for a cause that was found."
)


def advise(precision: Precision) -> list[str]:
    """Return one line per studio that stands out, or one that none does.

    Parameters
    ----------
    precision : Precision
        As `study_precision` returns it.

    Returns
    -------
    list of str
        Which statistic, on which materials, and where to look for the cause.
    """
    out = precision.standing_out
    if out.empty:
        return [_none(precision)]
    lines = []
    for studio, cells in out.groupby("studio", sort=True):
        marked = cells["stands_out"]
        far = cells[marked.str.contains("h")]
        wide = cells[marked.str.contains("k")]
        if len(far):
            lines.append(_far(str(studio), far))
        if len(wide):
            wide_on = ", ".join(wide["material"].astype(str))
            largest = float(wide["k"].max())
            limit = float(wide["k_critical"].iloc[int(np.argmax(wide["k"]))])
            lines.append(
                f"{studio} scatters more than the others on {wide_on} "
                f"(k {largest:.2f}, critical {limit:.2f}): look at coat weight, places in "
                "the kiln, time to close the door, and who graded"
            )
    return [*lines, _NEVER]


def _far(studio: str, frame: pd.DataFrame) -> str:
    signs = set(np.sign(frame["h"]))
    side = {frozenset({1.0}): "above", frozenset({-1.0}): "below"}.get(
        frozenset(signs), "now above, now below"
    )
    place = int(np.argmax(frame["h"].abs()))
    where = ", ".join(frame["material"].astype(str))
    same = (
        "the same way throughout points at the kiln's reading: compare thermocouples, or "
        "fire control tiles of one jar"
        if len(signs) == 1
        else "both ways points at mixed-up tiles or labels: compare its log with its plan"
    )
    return (
        f"{studio} lies {side} the others on {where} (h {frame['h'].iloc[place]:.2f}, "
        f"critical {frame['h_critical'].iloc[place]:.2f}): {same}"
    )


def _none(precision: Precision) -> str:
    cells = precision.cells
    studios = cells["studio"].nunique()
    if studios < 3:
        return f"{studios} studios are too few to say that one of them stands out"
    h, k = cells["h"].abs().max(), cells["k"].max()
    scatter = "" if np.isnan(k) else f", largest k {k:.2f}"
    return f"no studio stands out: largest h {h:.2f}{scatter}"
