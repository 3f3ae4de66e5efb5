"""Windows in words that an enameller can use, degC and degF."""

from __future__ import annotations

from typing import TYPE_CHECKING

from firelab.craft.setting_words import setting_words
from firelab.craft.units import format_duration, format_temperature, to_degF

if TYPE_CHECKING:
    from firelab.windows.window import (
        EdgeInterval,
        Edges,
        FiringWindows,
        Recipe,
        SettingWindow,
    )

_MOST_SETTINGS = 3
_MOST_NOTES = 2


def recipe_words(recipe: Recipe) -> str:
    """Say where to set the kiln and how much room there is."""
    room = []
    if recipe.tolerance_degC > 0:
        degF = recipe.tolerance_degC * 1.8
        room.append(f"{recipe.tolerance_degC:.0f} degC ({degF:.0f} degF)")
    if recipe.tolerance_s > 0:
        room.append(f"{recipe.tolerance_s:.0f} s")
    within = f", room +/- {' and +/- '.join(room)}" if room else ", with no room to spare"
    return (
        f"{format_temperature(recipe.temperature_degC)} for "
        f"{format_duration(recipe.dwell_s)}{within}"
    )


def edge_words(edge: EdgeInterval, name: str) -> str:
    """Say one edge with its interval, or why there is none.

    Parameters
    ----------
    edge : EdgeInterval
        degC.
    name : str
        Such as ``from`` or ``to``.
    """
    if edge.estimate is None:
        return f"{name} {edge.reason or 'no edge'}"
    low = "?" if edge.lower is None else f"{edge.lower:.0f}"
    high = "?" if edge.upper is None else f"{edge.upper:.0f}"
    degF = to_degF(edge.estimate)
    return f"{name} {edge.estimate:.0f} degC ({degF:.0f} degF; {low} to {high})"


def summarise(windows: FiringWindows) -> str:
    """Return the windows of a series in under 12 lines."""
    target = " or ".join(windows.target)
    wanted = f"{target}, score {windows.score_target:g}" if windows.score_target else target
    lines = [
        f"Firing window for {wanted}: asked {windows.probability:.0%} of tiles, "
        f"{windows.confidence:.0%} sure; edges with {windows.level:.0%} intervals, degC"
    ]
    for rank, window in enumerate(windows.windows[:_MOST_SETTINGS], start=1):
        lines += _window_lines(rank, window, brief=len(windows.windows) > 1)
    more = len(windows.windows) - _MOST_SETTINGS
    if more > 0:
        lines.append(f"and {more} more settings in windows.csv")
    notes = windows.notes[: _MOST_NOTES if len(lines) < 9 else 1]
    lines += [f"note: {note}" for note in notes]
    return "\n".join(lines)


def _window_lines(rank: int, window: SettingWindow, *, brief: bool) -> list[str]:
    head = f"{rank}. {setting_words(window.setting)}: "
    if window.recipe:
        sure = (
            f"; {window.recipe.probability:.0%} likely, {window.recipe.assurance:.0%} sure"
        )
        lines = [head + recipe_words(window.recipe) + sure]
    else:
        lines = [f"{head}no recipe. {window.reason}"]
    middle = window.edges[len(window.edges) // 2]
    lines.append(f"   at {format_duration(middle.dwell_s)}: {_span_words(middle)}")
    if not window.recipe and not brief:
        best = window.best
        lines.append(
            f"   best there is: {format_temperature(best.temperature_degC)} for "
            f"{format_duration(best.dwell_s)}, {best.probability:.0%} likely"
        )
        lines += [f"   to settle it: {way}" for way in window.settle[:2]]
    return lines


def _span_words(edges: Edges) -> str:
    """Say both edges at one dwell, and where they cross."""
    low, high = edges.low_degC, edges.high_degC
    if low.estimate is not None and high.estimate is not None:
        if low.estimate > high.estimate:
            return (
                f"no window: likely enough to have come so far {edge_words(low, 'from')}, "
                f"to have gone no further {edge_words(high, 'up to')}"
            )
    return f"{edge_words(low, 'from')}, {edge_words(high, 'to')}"
