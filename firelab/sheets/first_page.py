"""The first page: what is asked, how the sheets are used, what can hurt."""

from __future__ import annotations

from collections.abc import Sequence

from firelab.craft.trade_words import base_words, count_words, hand_rule, layers_words
from firelab.craft.units import format_duration
from firelab.plan.plan import Plan
from firelab.plan.schedule import firing_seconds, kiln_hours
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED
from firelab.sheets.boxes import draw_cautions
from firelab.sheets.page import MM, Box
from firelab.sheets.pen import Pen, SheetPage
from firelab.sheets.tile_places import blank_words, both_temperatures, code_words

STEPS: tuple[str, ...] = (
    "Prepare the tiles as the preparation sheet says, and keep each tile with its label.",
    "Fire load by load as the kiln sheet says: all tiles of a load in together, each out "
    "at its own time, the door shut between. Write down the temperature the kiln reads, "
    "and each tile's true time from closing the door.",
    "Lay each tile on the tray map until it is cool; only then can its code be read.",
    "Fold each label's lower half back, so that only its code shows, and grade each "
    "tile on the record sheet without looking up its setting.",
    "Record the sheet: firelab record, or firelab kilnside on a phone.",
)
"""How the sheets are used once the tiles have their codes, in order."""
_CHECKED = " The last symbol checks the others: a misread code is caught."


def first_page(series: FiringSeries, plan: Plan, *, n_fired_on: int = 0) -> SheetPage:
    """Return the first page of the sheets of a plan.

    Parameters
    ----------
    series : FiringSeries
    plan : Plan
    n_fired_on : int, default 0
        How many of its tiles were fired in an earlier session.
    """

    def draw(pen: Pen, body: Box) -> None:
        used = _draw_question(
            pen, body, series, _facts(series, plan, n_fired_on=n_fired_on)
        )
        used += _draw_steps(pen, body.below(used), series) + 4 * MM
        draw_cautions(pen, body.below(used))

    return SheetPage(title="Test firing sheets", draw=draw)


def _facts(
    series: FiringSeries, plan: Plan, *, n_fired_on: int = 0
) -> tuple[tuple[str, str], ...]:
    """Return what the series varies and what the plan takes, as pairs of words."""
    reads, factors = series.kiln.reads, series.factors
    joined = " to " if factors.is_range("temperature") else ", "
    heat = joined.join(
        both_temperatures(float(t), reads) for t in factors.levels("temperature")
    )
    joined = " to " if factors.is_range("dwell") else ", "
    dwell = joined.join(format_duration(float(d)) for d in factors.levels("dwell"))
    powder = " or ".join(f"{mesh}" for mesh in factors.mesh.levels) + " mesh, "
    powder += " or ".join(layers_words(layers) for layers in factors.layers.levels) + ", "
    powder += " or ".join(base_words(base) for base in factors.base.levels)
    loads = int(plan.tiles["load"].nunique())
    sessions = int(plan.tiles["session"].nunique())
    again = f" ({n_fired_on} of them fired on)" if n_fired_on else ""
    size = f"{count_words(plan.n_tiles, 'tile')}{again} in {count_words(loads, 'load')}, "
    size += count_words(sessions, "session")
    size += f"; {hours_words(series, plan)}"
    if plan.tiles.empty:
        size = f"one tile at a time: firelab next says each firing. {hand_rule(reads)}"
    return (
        (
            "Enamel",
            f"{series.enamel.colour} ({series.enamel.kind}, lead: {series.enamel.lead})",
        ),
        ("Tile", blank_words(series)),
        ("Temperature", heat),
        ("Dwell", dwell),
        ("Powder", powder),
        ("Target", " or ".join(series.responses.stage.target)),
        ("Plan", size),
    )


def hours_words(series: FiringSeries, plan: Plan) -> str:
    """Say how long the kiln is needed, for preparation and for each session.

    Preparation firings are counted in loads, as many as the rack's places ask for.
    """
    hours = kiln_hours(series, plan.tiles, plan.preparation)
    parts = {
        f"in session {number}": firing_seconds(series, rows) / 3600.0
        for number, rows in plan.tiles.groupby("session", sort=True)
    }
    made = hours["total"] - hours["test firings"]
    if plan.preparation:
        loads = sum(step.n_loads(series.budget.places) for step in plan.preparation)
        parts = {f"of preparation ({count_words(loads, 'load')})": made, **parts}
    each = ", ".join(f"{spent:.1f} {name}" for name, spent in parts.items())
    return f"kiln hours: {each}; {hours['total']:.1f} in all"


def _draw_question(
    pen: Pen, body: Box, series: FiringSeries, named: Sequence[tuple[str, str]]
) -> float:
    used = pen.block(body.upper(26 * MM), series.name, 20, smallest=8, bold=True) + 1 * MM
    if series.invented:
        strip = body.below(used).upper(9 * MM)
        pen.rectangle(strip, weight=1.5)
        pen.line(strip.inset(3 * MM, 0), INVENTED, 13, bold=True)
        used += 12 * MM
    if series.question:
        used += pen.block(body.below(used).upper(16 * MM), series.question, 13)
    used += 3 * MM
    for name, words in named:
        row = body.below(used).upper(12 * MM)
        label, text = row.columns(0.18, 0.82)
        pen.block(label, name, 11, bold=True)
        used += max(6 * MM, pen.block(text, words, 11) + 1.2 * MM)
    return used + 3 * MM


def _draw_steps(pen: Pen, body: Box, series: FiringSeries) -> float:
    steps = (code_words(series) + _CHECKED, *STEPS)
    used = pen.block(body.upper(8 * MM), "How to use these sheets", 13, bold=True) + 1 * MM
    for number, step in enumerate(steps, start=1):
        mark, text = body.below(used).upper(17 * MM).columns(0.045, 0.955)
        pen.block(mark, f"{number}", 11, bold=True)
        used += pen.block(text, step, 11) + 0.8 * MM
    return used
