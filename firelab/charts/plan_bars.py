"""What a plan uses and what it would show, as bars with their numbers beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes

from firelab.charts.plan_words import power_words
from firelab.charts.style import INK, PAPER
from firelab.plan.plan import Plan

_FILL = "#4a98a6"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBar:
    """One bar: its name, the share that is filled (None: no bar), and the number."""

    name: str
    share: float | None
    number: str


def use_bars(plan: Plan) -> list[PlanBar]:
    """Return what is needed of what there is, as the plan tells them."""
    bars = []
    for name, one in plan.figures.get("budget", {}).items():
        needed, there = float(one["needed"]), one["there"]
        if there is None:
            number, share = f"{needed:g}, no limit stated", None
        else:
            number = f"{needed:g} of {there:g}" + (" too much" if needed > there else "")
            share = min(needed / there, 1.0) if there else 1.0
        bars.append(PlanBar(name=_with_unit(str(name)), share=share, number=number))
    return bars


def chance_bars(plan: Plan) -> list[PlanBar]:
    """Return the chance to see the stated shift in each effect."""
    return [
        PlanBar(name=name, share=chance, number=f"{chance * 100:.0f} in 100")
        for name, chance in power_words(plan.figures)
    ]


def _with_unit(name: str) -> str:
    if name.startswith("powder"):
        return f"{name.removeprefix('powder of ')} (g)"
    return f"{name} (h)" if "time" in name else name


def draw_bars(axes: Axes, title: str, bars: Sequence[PlanBar]) -> None:
    """Draw bars under each other, each with its name and its number."""
    axes.set_axis_off()
    axes.set_xlim(0.0, 2.7)
    axes.set_ylim(len(bars) - 0.4, -0.6)
    axes.set_title(title, weight="bold")
    for place, bar in enumerate(bars):
        axes.text(1.03, place, bar.name, ha="right", va="center")
        if bar.share is None:
            axes.text(1.1, place, bar.number, va="center")
            continue
        axes.barh(place, 0.8, left=1.1, height=0.5, facecolor=PAPER, edgecolor=INK)
        axes.barh(
            place, 0.8 * bar.share, left=1.1, height=0.5, facecolor=_FILL, edgecolor=INK
        )
        axes.text(1.97, place, bar.number, va="center")
