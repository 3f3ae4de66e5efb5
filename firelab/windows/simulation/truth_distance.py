"""How far windows are from the truth of the simulated kiln that made the looks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from firelab.craft.units import format_temperature_difference
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.simulation.simulated_kiln import SimulatedKiln
from firelab.windows.window import FiringWindows


@dataclass(frozen=True, slots=True, kw_only=True)
class TruthDistance:
    """Windows beside the truth.

    Attributes
    ----------
    n_edges : int
        Edges with an estimate.
    n_inside : int
        Of these, how many intervals hold the true edge. An end outside the
        fired range is open.
    mean_degC, largest_degC : float
        Of the absolute differences between estimate and truth; nan where no
        edge has an estimate.
    recipe_probability : float or None
        True probability of the target at the first window's recipe.
    """

    n_edges: int
    n_inside: int
    mean_degC: float
    largest_degC: float
    recipe_probability: float | None

    def words(self, reads: str = "degF") -> str:
        """Say the distance in one sentence, or in two with a recipe.

        Parameters
        ----------
        reads : {'degF', 'degC'}, default 'degF'
            Unit of the kiln's display.
        """
        off = format_temperature_difference(self.mean_degC, reads)
        edges = (
            f"The invented kiln's true edges are {off} away on average, "
            f"{self.n_inside} of {self.n_edges} within their intervals."
        )
        if self.recipe_probability is None:
            return edges
        share = f"{100 * self.recipe_probability:.0f} of 100"
        return f"In truth the recipe gives {share} tiles as wanted. {edges}"


def distance_from_truth(windows: FiringWindows, kiln: SimulatedKiln) -> TruthDistance:
    """Compare every estimated edge, and the first recipe, with the simulator's truth.

    Parameters
    ----------
    windows : FiringWindows
        Of looks that `kiln` made.
    kiln : SimulatedKiln
    """
    gaps, inside = [], []
    for window in windows.windows:
        for edges in window.edges:
            truth = kiln.true_edges(edges.dwell_s, windows.probability, window.setting)
            for edge, true in zip((edges.low_degC, edges.high_degC), truth, strict=True):
                if edge.estimate is None or not np.isfinite(true):
                    continue
                gaps.append(abs(edge.estimate - true))
                low = -np.inf if edge.lower is None else edge.lower
                high = np.inf if edge.upper is None else edge.upper
                inside.append(low <= true <= high)
    recipe = windows.windows[0].recipe if windows.windows else None
    probability = None
    if recipe is not None:
        T, d = np.array([recipe.temperature_degC]), np.array([recipe.dwell_s])
        at = settings_at(windows.windows[0].setting, T, d)
        probability = float(kiln.true_probability(at)[0])
    return TruthDistance(
        n_edges=len(gaps),
        n_inside=sum(inside),
        mean_degC=float(np.mean(gaps)) if gaps else np.nan,
        largest_degC=max(gaps, default=np.nan),
        recipe_probability=probability,
    )
