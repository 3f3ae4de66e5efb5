"""The window of one setting as values: edges, recipe, map, or why there is no recipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from firelab.arrays import FloatArray


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

    estimate: float | None = None
    lower: float | None = None
    upper: float | None = None
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
        Posterior probability that the target has at least the probability asked
        for, everywhere in the box at once.
    """

    temperature_degC: float
    dwell_s: float
    tolerance_degC: float
    tolerance_s: float
    probability: float
    assurance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LikeliestFiring:
    """The firing to choose now: where a future tile is likeliest as wanted.

    Attributes
    ----------
    temperature_degC, dwell_s : float
        That the kiln can be set to, inside the range of the series.
    probability : float
        Mean posterior probability of the target, for a tile of a future load.
    beyond : str
        Which way it lies beyond what was fired, such as ``hotter``; else empty.
    """

    temperature_degC: float
    dwell_s: float
    probability: float
    beyond: str


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
    likeliest : LikeliestFiring or None
        None where the setting was not fired, or rules forbid every firing.
    own_edges : Edges or None
        At the dwell of the recipe, or of the firing to choose now; None where that
        dwell is beyond what was fired. It stands in no file.
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
    likeliest: LikeliestFiring | None = None
    own_edges: Edges | None = None

    @property
    def shown_edges(self) -> tuple[Edges, ...]:
        """Edges at each fired dwell and at the recipe's own, shortest first."""
        known = {edges.dwell_s for edges in self.edges}
        own = self.own_edges if self.recipe else None
        more = (own,) if own and own.dwell_s not in known else ()
        return tuple(sorted((*self.edges, *more), key=lambda edges: edges.dwell_s))

    @property
    def settle_lines(self) -> tuple[str, ...]:
        """What would settle an open question, a line each."""
        return tuple(f"To settle it: {way}." for way in self.settle)

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
            "firing_now": asdict(self.likeliest) if self.likeliest else None,
        }
