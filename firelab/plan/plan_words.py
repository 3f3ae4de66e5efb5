"""A plan in words, short enough to read at the bench."""

from __future__ import annotations

from firelab.craft.units import format_duration, format_temperature
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries


def plan_summary(series: FiringSeries, plan: Plan) -> str:
    """Return what a plan fires and what it costs, about a dozen lines.

    Parameters
    ----------
    series : FiringSeries
        What is planned.
    plan : Plan
        To be told.
    """
    tiles = plan.tiles
    n_loads, n_sessions = tiles["load"].nunique(), tiles["session"].nunique()
    lines = [
        f"{series.name}: {plan.kind} plan, seed {plan.provenance.seed}",
        f"{plan.n_tiles} tiles, {len(tiles)} firings in {n_loads} loads "
        f"of at most {series.budget.places}, {n_sessions} "
        f"session{'s' if n_sessions != 1 else ''}",
    ]
    for degC, rows in tiles.groupby("temperature_degC", sort=True):
        shortest, longest = rows["dwell_s"].min(), rows["dwell_s"].max()
        dwells = format_duration(shortest)
        if longest > shortest:
            dwells += f" to {format_duration(longest)}"
        loads = rows["load"].nunique()
        lines.append(
            f"  {format_temperature(float(str(degC))):>20}: {len(rows):2d} in "
            f"{loads} load{'s' if loads != 1 else ''}, {dwells}"
        )
    powder = ", ".join(f"{name} {grams:g} g" for name, grams in plan.powder_g.items())
    lines.append(f"powder, loss included: {powder}")
    lines.append(
        f"preparation firings: {len(plan.preparation)}; "
        f"kiln time {plan.time_h['total']:.1f} h"
    )
    return "\n".join([*lines, *(f"- {note}" for note in plan.notes)])
