"""One invented colour fired by a plan, or as `next` chooses: edges and recipe judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from colours import SERIES, factorial

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.plan.make_plan import stated_plan
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.records.records import Records
from firelab.windows.edges.edge_draws import edge_posterior
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.firing_windows import firing_windows
from firelab.windows.sequential.next_tiles import next_tiles
from firelab.windows.setting_window import Recipe
from firelab.windows.simulation.expected_kiln import invent_records
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

NEXT_LOADS = (2, 2, 2, 1, 1, 1)
"""New tiles, at most, of each load that `next` chooses, after three loads of four.

What places they leave can hold tiles that are fired on.
"""
SETTING = {"mesh": 80, "layers": 1, "base": "none"}
ASKED = SERIES.window.probability


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How well one plan of one colour tells its edges, and whether its recipe is true.

    Attributes
    ----------
    most_tiles : int
        Tiles that the plan allows; `next` may take fewer.
    width_degC, covered : float
        Mean width of the 90 % intervals of all edges; share that hold the truth.
    recipe : bool
        Whether a recipe is called assured.
    recipe_true, box_true : bool or None
        Whether the target's true probability is as asked at the recipe, and
        everywhere in its tolerance box.
    """

    kind: str
    most_tiles: int
    tiles: int
    looks: int
    loads: int
    width_degC: float
    covered: float
    recipe: bool
    recipe_true: bool | None
    box_true: bool | None


def judge(
    kind: str,
    kiln: SimulatedKiln,
    fit: StagePosterior,
    records: Records,
    *,
    most_tiles: int | None = None,
) -> Outcome:
    """Hold the edges and the recipe of a fit to the truth."""
    tiles = int(records.looks["tile"].nunique())
    doubt = edge_posterior(fit)
    low, high = np.quantile(doubt.draws, [0.05, 0.95], axis=0)
    true = np.array(
        [kiln.true_edges(name.dwell_s)[name.side == "high"] for name in doubt.names]
    )
    recipe = firing_windows(fit).windows[0].recipe
    return Outcome(
        kind=kind,
        most_tiles=tiles if most_tiles is None else most_tiles,
        tiles=tiles,
        looks=len(records.looks),
        loads=int(records.looks["load"].nunique()),
        width_degC=float(doubt.widths(0.9).mean()),
        covered=float(((low <= true) & (true <= high)).mean()),
        recipe=recipe is not None,
        recipe_true=recipe and least_true(kiln, recipe, 0.0) >= ASKED,
        box_true=recipe and least_true(kiln, recipe, 1.0) >= ASKED,
    )


def least_true(kiln: SimulatedKiln, recipe: Recipe, share: float) -> float:
    """Return the least true probability in a share of a recipe's tolerance box."""
    steps = np.linspace(-share, share, 9)
    T, d = np.meshgrid(
        recipe.temperature_degC + recipe.tolerance_degC * steps,
        recipe.dwell_s + recipe.tolerance_s * steps,
    )
    return float(kiln.true_probability(settings_at(SETTING, T.ravel(), d.ravel())).min())


def fit_of(records: Records, seed: int) -> StagePosterior:
    """Fit the posterior with a seed of its own."""
    return fit_posterior(records, rng=np.random.default_rng([seed, 9]), n_draws=1000)


def follow_next(
    kiln: SimulatedKiln,
    seed: int,
    *,
    rng: np.random.Generator,
    kind: str = "next",
    fire_on: bool = True,
) -> list[Outcome]:
    """Start with 12 tiles, then fire what `next` chooses, load by load."""
    plan, fired_by = factorial(3), int(rng.integers(2**63))
    outcomes, most_tiles = [], plan.n_tiles
    for most_new in (*NEXT_LOADS, 0):
        # A plan that has grown gives the same looks first: tiles are fired on.
        records = invent_records(
            kiln, plan, rng=np.random.default_rng(fired_by), growing=True
        )
        fit = fit_of(records, seed)
        outcomes.append(judge(kind, kiln, fit, records, most_tiles=most_tiles))
        most_tiles += most_new
        if most_new:
            plan = with_load(fit, plan, most_new=most_new, fire_on=fire_on)
    return outcomes


def with_load(fit: StagePosterior, plan: Plan, *, most_new: int, fire_on: bool) -> Plan:
    """Return the plan with the load that `next` chooses; as it is where that is to stop."""
    chosen = next_tiles(fit, plan, most_new=most_new, fire_on=fire_on).table
    if chosen.empty:
        return plan
    loads = [(float(chosen["temperature_degC"].iloc[0]), list(chosen["dwell_s"]))]
    last = int(plan.tiles["load"].max())
    first = plan.n_tiles
    more = stated_plan(fit.series, loads, first_load=last + 1, first_tile=first).tiles
    is_new = (chosen["tile"] == "").to_numpy()
    codes = chosen["tile"].to_numpy(dtype=object)
    codes[is_new] = more["tile"].to_numpy()[: is_new.sum()]
    more = more.assign(tile=codes, order=len(plan.tiles) + 1 + np.arange(len(more)))
    grown = pd.concat([plan.tiles, more.astype(PLAN_DTYPES)], ignore_index=True)
    return replace(plan, tiles=grown)
