"""Invented kilns as a series expects them, plans fired in them, windows held to them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.craft.units import format_temperature_difference
from firelab.fits.ordinal.learned_priors import BLUR, DOUBLING, HIGH, LOW
from firelab.fits.ordinal.middle_prior import USUAL_DWELL_S
from firelab.fits.ordinal.priors import LOGITS_20_TO_80
from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.series.declared_parts import Expectation
from firelab.series.firing_series import FiringSeries
from firelab.series.history import TARGET
from firelab.series.terms import coding, term_columns
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.simulation.simulated_kiln import SimulatedKiln
from firelab.windows.window import FiringWindows

_LOWER_GRADE_DEGC = 25.0
"""Degrees that each grade below the target is wide (common practice, no source)."""
_LEAST_WIDE_DEGC = 5.0
"""Narrowest window that is drawn (chosen here, no source)."""


def assumed_expectation(series: FiringSeries) -> Expectation:
    """Return what is assumed where a series states no expectation.

    The window fills the middle of the range of temperatures, at the middle
    dwell, and lies there within a fifth of the range; of a series that rests on a
    history it is where earlier jars had it.
    """
    learned = series.priors.learned
    if learned is not None and {LOW, HIGH, TARGET, BLUR} <= set(learned.mean):
        worth = learned.mean.get(DOUBLING, np.log(series.priors.doubling))
        return Expectation(
            low_edge=learned.mean[LOW],
            high_edge=learned.mean[HIGH],
            at=USUAL_DWELL_S,
            uncertainty=learned.sd[TARGET],
            blur=float(np.exp(learned.mean[BLUR])),
            doubling=float(np.exp(worth)),
        )
    low, high = series.span("temperature")
    short, long = series.span("dwell")
    reach = high - low
    return Expectation(
        low_edge=low + 0.35 * reach,
        high_edge=low + 0.75 * reach,
        at=float(np.sqrt(short * long)),
        uncertainty=0.2 * reach,
    )


def draw_expected_kiln(
    series: FiringSeries, expected: Expectation, *, rng: np.random.Generator
) -> SimulatedKiln:
    """Draw one truth that a stated expectation allows.

    Both edges shift together by the stated uncertainty, and apart by half of
    it; what mesh, coats and base do is drawn with half of it too.
    """
    heat, time = coding(series, "temperature"), coding(series, "dwell")
    per_degC = LOGITS_20_TO_80 / expected.blur
    half = 0.5 * expected.uncertainty
    shift = expected.uncertainty * rng.standard_normal()
    low = expected.low_edge + shift
    wide = expected.high_edge - expected.low_edge + half * rng.standard_normal()
    high = low + max(wide, _LEAST_WIDE_DEGC)
    dwell = per_degC * expected.doubling * time.half_width / np.log(2.0)
    columns = term_columns(series, series.varied)
    effects = {str(one): per_degC * half * rng.standard_normal() for one in columns}
    effects |= {"temperature": per_degC * heat.half_width, "dwell": float(dwell)}
    kiln = SimulatedKiln(
        series=series,
        thresholds=(),
        effects={name: value for name, value in effects.items() if value},
        load_sd=per_degC * expected.load_shift,
        session_sd=per_degC * expected.session_shift,
        place_sd=per_degC * expected.place_shift if series.budget.places > 1 else 0.0,
        slip=expected.slip,
    )
    future_sd = kiln.future_sd
    thresholds = _thresholds(series, expected, per_degC, dwell, future_sd, low, high)
    return replace(kiln, thresholds=thresholds)


def _thresholds(
    series: FiringSeries,
    expected: Expectation,
    per_degC: float,
    dwell: float,
    future_sd: float,
    low: float,
    high: float,
) -> tuple[float, ...]:
    """Place the thresholds so that the edges lie where they are expected."""
    heat, time = coding(series, "temperature"), coding(series, "dwell")
    first, last = series.responses.stage.target_span
    n_cuts = len(series.responses.stage.grades) - 1
    at = dwell * float(time.code([expected.at])[0])
    p = series.window.probability
    future = StageDraws(
        thresholds=np.zeros((1, 1)),
        coefficients=np.empty((1, 0)),
        load_sd=np.array([future_sd]),
        tile_sd=np.zeros(1),
        link="logit",
        columns=(),
    )
    lower = per_degC * (low - heat.centre) + at + float(future.distance_where(1.0 - p)[0])
    upper = per_degC * (high - heat.centre) + at + float(future.distance_where(p)[0])
    step = per_degC * _LOWER_GRADE_DEGC
    cuts = np.zeros(n_cuts)
    for j in range(n_cuts):
        if j < first:
            cuts[j] = lower - step * (first - 1 - j)
        elif j >= last:
            cuts[j] = upper + step * (j - last)
        else:
            cuts[j] = lower + (upper - lower) * (j - first + 1) / (last - first + 1)
    return tuple(
        float(cut) for cut in np.maximum.accumulate(cuts + 1e-6 * np.arange(n_cuts))
    )


_SETTINGS = ["mesh", "grain_um", "layers", "base", "role"]


def invent_records(
    kiln: SimulatedKiln, plan: Plan, *, rng: np.random.Generator, growing: bool = False
) -> Records:
    """Fire a plan in an invented kiln.

    Parameters
    ----------
    kiln : SimulatedKiln
    plan : Plan
        Of the same series.
    rng : numpy.random.Generator
    growing : bool, default False
        With a generator of the same seed, a plan that has grown at its end gives
        the same looks first.

    Returns
    -------
    Records
        Looks in the order of the plan; the provenance is the plan's.
    """
    table = plan.tiles.reset_index(drop=True)
    fired = kiln.simulate(table, rng=rng, growing=growing)
    looks = pd.concat([fired, table[_SETTINGS]], axis=1)
    grades = list(kiln.series.responses.stage.grades)
    looks["stage"] = pd.Categorical(looks["stage"], categories=grades, ordered=True)
    looks["total_dwell_s"] = looks.groupby("tile")["dwell_s"].cumsum()
    return Records(series=kiln.series, plan=plan, looks=looks, provenance=plan.provenance)


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
    """Compare every estimated edge, and the first recipe, with the simulator's truth."""
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
