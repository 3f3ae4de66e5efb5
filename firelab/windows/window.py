"""The firing window of each setting: edges, map, recipe, or an honest null.

Windows in words that an enameller can use, degC and degF.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.craft.trade_words import setting_words
from firelab.craft.units import format_duration, format_temperature, to_degF
from firelab.series.folder import Provenance

SCHEMA = "firelab/windows/1"
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeInterval:
    """A point on an edge with its interval, degC (or s for a dwell edge).

    Attributes
    ----------
    estimate, lower, upper : float or None
        None where the edge, or that end of its interval, is outside the fired
        range; nothing extrapolates.
    reason : str or None
        Why an end is None, such as ``below the fired range``.
    """

    estimate: float | None
    lower: float | None
    upper: float | None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Low and high edge of the window at one dwell (s)."""

    dwell_s: float
    low_degC: EdgeInterval
    high_degC: EdgeInterval


@dataclass(frozen=True, slots=True, kw_only=True)
class DwellEdges:
    """Shortest and longest dwell of the window at one temperature (degC)."""

    temperature_degC: float
    low_s: EdgeInterval
    high_s: EdgeInterval


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Where to set the kiln, and how much room there is.

    Attributes
    ----------
    temperature_degC, dwell_s : float
        Centre of the box.
    tolerance_degC, tolerance_s : float
        Half sides of the largest box of the assured region around it.
    probability : float
        Mean posterior probability of the target at the centre.
    assurance : float
        Smallest posterior probability, over the box, that the target has at
        least the probability asked for.
    """

    temperature_degC: float
    dwell_s: float
    tolerance_degC: float
    tolerance_s: float
    probability: float
    assurance: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProbabilityMap:
    """The target over temperature and dwell, inside the fired range.

    Attributes
    ----------
    temperature_degC : ndarray, shape (m,)
    dwell_s : ndarray, shape (k,)
    probability : ndarray, shape (k, m)
        Posterior mean probability of the target, future load.
    assurance : ndarray, shape (k, m)
        Posterior probability that it is at least the asked one.
    """

    temperature_degC: FloatArray
    dwell_s: FloatArray
    probability: FloatArray
    assurance: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SettingWindow:
    """The window at one setting of mesh, layers and base.

    Attributes
    ----------
    setting : mapping
        ``mesh``, ``layers``, ``base``.
    edges : tuple of Edges
        At each fired dwell, shortest first.
    dwell_edges : tuple of DwellEdges
        At each fired temperature, coolest first.
    recipe : Recipe or None
    reason : str or None
        Why there is no recipe, in words; None where there is one.
    reason_code : str or None
        Stable short name of the reason.
    best : Recipe
        The best point there is, with zero tolerance where it is not assured.
    settle : tuple of str
        Which tiles would settle an open question, in words.
    assured_share : float
        Share of the fired temperature by ln dwell range that is assured.
    map : ProbabilityMap
    """

    setting: Mapping[str, Any]
    edges: tuple[Edges, ...]
    dwell_edges: tuple[DwellEdges, ...]
    recipe: Recipe | None
    reason: str | None
    reason_code: str | None
    best: Recipe
    settle: tuple[str, ...]
    assured_share: float
    map: ProbabilityMap

    def to_dict(self) -> dict[str, Any]:
        """Return the window in the form of ``windows.json``."""
        return {
            "setting": dict(self.setting),
            "edges": [asdict(edge) for edge in self.edges],
            "dwell_edges": [asdict(edge) for edge in self.dwell_edges],
            "recipe": asdict(self.recipe) if self.recipe else None,
            "reason": self.reason,
            "reason_code": self.reason_code,
            "best": asdict(self.best),
            "settle": list(self.settle),
            "assured_share": self.assured_share,
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FiringWindows:
    """The windows of a series, widest assured one first.

    Attributes
    ----------
    windows : tuple of SettingWindow
    target : tuple of str
        Wanted grades.
    score_target : float or None
        Wanted transparency, where it is scored.
    probability, confidence, level : float
        As the series asks: of the target, of that, of the intervals.
    priors : tuple of str
        The priors in words, one line each.
    notes : tuple of str
        What these records cannot tell, and other warnings.
    provenance : Provenance
    """

    windows: tuple[SettingWindow, ...]
    target: tuple[str, ...]
    score_target: float | None
    probability: float
    confidence: float
    level: float
    priors: tuple[str, ...]
    notes: tuple[str, ...]
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """One row per setting and dwell: the table of ``windows.csv``."""
        rows = []
        for rank, window in enumerate(self.windows, start=1):
            for edge in window.edges:
                row: dict[str, Any] = {
                    "rank": rank,
                    **window.setting,
                    "dwell_s": edge.dwell_s,
                }
                for name in ("low_degC", "high_degC"):
                    for part, value in asdict(getattr(edge, name)).items():
                        row[f"{name}_{part}"] = value
                rows.append(row)
        return pd.DataFrame(rows)

    @property
    def has_recipe(self) -> bool:
        """Whether any setting has an assured recipe."""
        return any(window.recipe for window in self.windows)

    def summary(self) -> str:
        """Return the windows in under 12 lines that an enameller can use."""
        from firelab.windows.window import summarise

        return summarise(self)

    def to_dict(self) -> dict[str, Any]:
        """Return the content of ``windows.json``."""
        return {
            "schema": SCHEMA,
            "windows": [window.to_dict() for window in self.windows],
            "target": list(self.target),
            "score_target": self.score_target,
            "probability": self.probability,
            "confidence": self.confidence,
            "level": self.level,
            "priors": list(self.priors),
            "notes": list(self.notes),
            "provenance": self.provenance.to_dict(),
        }


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
