"""A plan in words, short enough to read at the bench."""

from __future__ import annotations

from firelab.craft.counted_words import count_words
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
        f"{count_words(plan.n_tiles, 'tile')}, {count_words(len(tiles), 'firing')} in "
        f"{count_words(n_loads, 'load')} of at most {series.budget.places}, "
        f"{count_words(n_sessions, 'session')}",
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
    lines += [*_teaching_lines(plan), *_alias_lines(plan)]
    return "\n".join([*lines, *(f"- {note}" for note in plan.notes)])


def _teaching_lines(plan: Plan) -> list[str]:
    """Say how well the plan predicts, and which term it would show least."""
    figures = plan.figures
    if not figures.get("estimable"):
        return []
    variance = figures["prediction_variance"]
    mean, worst = variance["mean"] ** 0.5, variance["largest"] ** 0.5
    lines = [
        f"error of a prediction, in standard deviations of tiles within a load: "
        f"{mean:.2f} on average, {worst:.2f} at worst"
    ]
    powers = {name: one["power"] for name, one in figures["power"].items()}
    told = {name: power for name, power in powers.items() if power is not None}
    if told:
        weakest = min(told, key=lambda name: told[name])
        lines.append(
            f"a shift of {figures['shift_sd']:g} sd shows least in {weakest}, "
            f"{100 * told[weakest]:.0f} times in 100"
        )
    silent = [name for name, power in powers.items() if power is None]
    if silent:
        lines.append(f"too few tiles to judge the scatter for {', '.join(silent)}")
    return lines


def _alias_lines(plan: Plan) -> list[str]:
    """List the effects of a fraction that cannot be told from one another."""
    fraction = plan.figures.get("fraction")
    if not fraction:
        return []
    told, chains = set(), []
    for effect, others in fraction["aliases"].items():
        if others and effect not in told:
            told |= {effect, *others}
            chains.append(" = ".join([effect, *others]))
    head = f"fraction: resolution {fraction['resolution'] or 'full'}, "
    if fraction["generators"]:
        head += f"{', '.join(fraction['generators'])}; "
    if not chains:
        return [head + "no effect of one or two factors hides another"]
    return [head + "not to be told apart: " + "; ".join(chains)]
