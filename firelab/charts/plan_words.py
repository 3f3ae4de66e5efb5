"""A plan's figures as a teacher would say them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from firelab.charts.axes import write_dwell
from firelab.charts.term_words import column_words
from firelab.craft.units import format_temperature
from firelab.plan.plan import Plan

_LEAK_WORTH_SAYING = 0.05


def plan_lines(plan: Plan) -> tuple[str, ...]:
    """Return a plan's design figures in words, those that it has.

    Parameters
    ----------
    plan : Plan
        Its ``figures`` are told; what is not there is not spoken of.
    """
    figures = plan.figures
    if figures.get("estimable") is False:
        lost = ", ".join(column_words(str(name)) for name in figures["inseparable"])
        return (f"This plan cannot tell these effects from the others: {lost}.",)
    lines = [
        _shared_load_line(plan),
        _power_line(figures),
        _leak_line(figures),
        _least_known_line(figures),
    ]
    return tuple(line for line in lines if line)


def power_words(figures: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Return each effect by name with the chance to see the stated shift in it.

    Examples
    --------
    >>> power_words({"power": {"dwell": {"power": 0.98}, "base[white]": {"power": None}}})
    [('dwell', 0.98)]
    """
    return [
        (column_words(str(name)), float(one["power"]))
        for name, one in figures.get("power", {}).items()
        if one["power"] is not None
    ]


def _shared_load_line(plan: Plan) -> str:
    """Compare D with and without the load's share: its ratio is a share of tiles."""
    shared = plan.figures.get("efficiency")
    alone = plan.figures.get("efficiency_without_loads")
    if not shared or not alone or not alone["D"]:
        return ""
    worth = plan.n_tiles * shared["D"] / alone["D"]
    return (
        f"Tiles that share a load share its luck: these {plan.n_tiles} tell about as much "
        f"as {worth:.0f} fired one by one, if loads differ as the series expects "
        f"(D-efficiency {shared['D']:.2f}; {alone['D']:.2f} without loads)."
    )


def _power_line(figures: Mapping[str, Any]) -> str:
    chances = power_words(figures)
    if not chances:
        return ""
    told = ", ".join(f"{name} {chance * 100:.0f}" for name, chance in chances)
    return (
        f"A shift of {figures['shift_sd']:g} standard deviations of tiles within a load, "
        f"from one end of a factor to the other, would show so many times in 100: {told}."
    )


def _leak_line(figures: Mapping[str, Any]) -> str:
    leaks = [
        (abs(share), str(name), str(other))
        for name, others in figures.get("aliases", {}).items()
        for other, share in others.items()
    ]
    if not leaks or max(leaks)[0] < _LEAK_WORTH_SAYING:
        return ""
    share, name, other = max(leaks)
    return (
        f"Of effects left out of the model, {column_words(other)} would be mistaken "
        f"most: {share:.0%} of it would be read as {column_words(name)}."
    )


def _least_known_line(figures: Mapping[str, Any]) -> str:
    at = figures.get("prediction_variance", {}).get("largest_at")
    if not at:
        return ""
    return (
        f"Least is learned at {format_temperature(float(at['temperature_degC']))}, dwell "
        f"{write_dwell(float(at['dwell_s']))} min:s."
    )
