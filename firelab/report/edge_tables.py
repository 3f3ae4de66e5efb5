"""The edges as tables: by dwell, and by temperature for who holds that instead."""

from __future__ import annotations

from firelab.charts.edge_plot import write_interval
from firelab.craft.units import format_duration, format_temperature, to_degF
from firelab.report.page_parts import PageTable
from firelab.windows.window import EdgeInterval, FiringWindows, SettingWindow

Rows = tuple[tuple[str, str, str], ...]


def edge_table(windows: FiringWindows, window: SettingWindow) -> PageTable:
    """Return one row per fired dwell of a setting: low and high edge."""
    return PageTable(
        caption=(
            f"If you hold the dwell: edges at probability {windows.probability:g}, each "
            f"over its {windows.level:.0%} interval"
        ),
        head=("dwell", "low edge", "high edge"),
        rows=_by_dwell(window),
        classes=("", "text", "text"),
    )


def dwell_edge_table(windows: FiringWindows, window: SettingWindow) -> PageTable:
    """Return one row per fired temperature of a setting: shortest and longest dwell."""
    return PageTable(
        caption=(
            "If you hold the temperature: shortest and longest dwell at probability "
            f"{windows.probability:g}, each over its {windows.level:.0%} interval"
        ),
        head=("temperature", "shortest dwell", "longest dwell"),
        rows=_by_temperature(window),
        classes=("", "text", "text"),
    )


def _by_dwell(window: SettingWindow) -> Rows:
    return tuple(
        (
            format_duration(edge.dwell_s),
            interval_cell(edge.low_degC),
            interval_cell(edge.high_degC),
        )
        for edge in window.edges
    )


def _by_temperature(window: SettingWindow) -> Rows:
    return tuple(
        (
            format_temperature(edge.temperature_degC),
            dwell_cell(edge.low_s, ("shorter than was fired", "longer than was fired")),
            dwell_cell(edge.high_s, ("shorter than was fired", "longer than was fired")),
        )
        for edge in window.dwell_edges
    )


def interval_cell(interval: EdgeInterval) -> str:
    """Write an edge over its interval, both units in each line.

    Examples
    --------
    >>> print(interval_cell(EdgeInterval(estimate=760.0, lower=750.0, upper=770.0)))
    760 degC (1400 degF)
    750 to 770 degC, 1382 to 1418 degF
    """
    estimate, lower, upper = interval.estimate, interval.lower, interval.upper
    if estimate is None or lower is None or upper is None:
        return write_interval(interval).replace(", from", "\nfrom")
    return (
        f"{format_temperature(estimate)}\n{lower:.0f} to {upper:.0f} degC, "
        f"{to_degF(lower):.0f} to {to_degF(upper):.0f} degF"
    )


def dwell_cell(interval: EdgeInterval, beyond: tuple[str, str]) -> str:
    """Write a dwell edge over its interval.

    Examples
    --------
    >>> ends = ("shorter than was fired", "longer than was fired")
    >>> print(dwell_cell(EdgeInterval(estimate=120.0, lower=None, upper=150.0), ends))
    2 min
    shorter than was fired to 2 min 30 s
    """
    if interval.estimate is None and interval.lower is None and interval.upper is None:
        return interval.reason or "not inside the fired range"
    ends = [
        words if end is None else format_duration(end)
        for end, words in zip((interval.lower, interval.upper), beyond, strict=True)
    ]
    outside = interval.reason or "outside the fired range"
    first = outside if interval.estimate is None else format_duration(interval.estimate)
    return f"{first}\n{ends[0]} to {ends[1]}"
