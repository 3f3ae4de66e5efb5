"""A plan's figures as a teacher would say them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from firelab.plan.plan import Plan


def plan_lines(plan: Plan) -> tuple[str, ...]:
    """Return a plan's design figures in words, those that it has.

    Parameters
    ----------
    plan : Plan
        Its ``figures`` are told; what is not there is not spoken of.
    """
    figures = plan.figures
    lines = []
    efficiency = figures.get("efficiency")
    if isinstance(efficiency, Mapping) and efficiency.get("D") is not None:
        lines.append(_efficiency_words(efficiency))
    return tuple(lines)


def _efficiency_words(efficiency: Mapping[str, Any]) -> str:
    share = float(efficiency["D"]) * 100
    return (
        f"D-efficiency {share:.0f}%: to learn as much, tiles placed ideally and fired one "
        f"by one would number about {share:.0f} for every 100 of these."
    )
