"""What a plan uses of what there is, as bars with their numbers beside them."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import SubFigure

from firelab.charts.style import INK, PAPER
from firelab.plan.plan import Plan


def list_uses(plan: Plan) -> list[tuple[str, float, float | None]]:
    """Return name, amount needed, and amount there is, as the plan tells them."""
    told = plan.figures.get("budget", {})
    return [
        (_with_unit(str(name)), float(one["needed"]), one["there"])
        for name, one in told.items()
    ]


def _with_unit(name: str) -> str:
    if name.startswith("powder"):
        return f"{name} (g)"
    return f"{name} (h)" if "time" in name else name


def draw_uses(part: SubFigure, uses: Sequence[tuple[str, float, float | None]]) -> None:
    """Draw one bar per thing that the plan uses up."""
    axes = part.subplots()
    axes.set_axis_off()
    if not uses:
        return
    part.suptitle("What it uses of what there is", weight="bold")
    axes.set_xlim(0.0, 2.6)
    axes.set_ylim(len(uses) - 0.4, -0.6)
    for place, (name, needed, there) in enumerate(uses):
        axes.text(0.98, place, name, ha="right", va="center")
        if there is None:
            axes.text(1.05, place, f"{needed:g}, no limit stated", va="center")
            continue
        axes.barh(place, 1.0, left=1.05, height=0.5, facecolor=PAPER, edgecolor=INK)
        share = min(needed / there, 1.0) if there else 1.0
        axes.barh(place, share, left=1.05, height=0.5, facecolor="#4a98a6", edgecolor=INK)
        over = "  too much" if needed > there else ""
        axes.text(2.1, place, f"{needed:g} of {there:g}{over}", va="center")
