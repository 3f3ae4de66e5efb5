"""One invented colour fired by a plan, or as `next` chooses: edges and recipe judged."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from colours import SERIES, factorial

from firelab.fits.stage_posterior import fit_posterior
from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.plan.stated_plan import stated_plan
from firelab.records.records import Records
from firelab.windows.edge_doubt import edge_doubt
from firelab.windows.fired_range import settings_at
from firelab.windows.firing_windows import firing_windows
from firelab.windows.invented_records import invent_records
from firelab.windows.next_tiles import next_tiles
from firelab.windows.simulated_kiln import SimulatedKiln
from firelab.windows.window import Recipe

NEXT_LOADS = (2, 2, 2, 1, 1, 1)
"""Tiles of each load that `next` chooses, after three loads of four."""
SETTING = {"mesh": 80, "layers": 1, "base": "none"}
ASKED = SERIES.window.probability


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How well one plan of one colour tells its edges, and whether its recipe is true.

    Attributes
    ----------
    width_degC, covered : float
        Mean width of the 90 % intervals of all edges; share that hold the truth.
    recipe : bool
        Whether a recipe is called assured.
    recipe_true, box_true : bool or None
        Whether the target's true probability is as asked at the recipe, and
        everywhere in its tolerance box.
    """

    kind: str
    tiles: int
    loads: int
    width_degC: float
    covered: float
    recipe: bool
    recipe_true: bool | None
    box_true: bool | None


def judge(kind: str, kiln: SimulatedKiln, fit: StagePosterior, records: Records) -> Outcome:
    """Hold the edges and the recipe of a fit to the truth."""
    doubt = edge_doubt(fit)
    low, high = np.quantile(doubt.draws, [0.05, 0.95], axis=0)
    true = np.array(
        [kiln.true_edges(name.dwell_s)[name.side == "high"] for name in doubt.names]
    )
    recipe = firing_windows(fit).windows[0].recipe
    return Outcome(
        kind=kind,
        tiles=len(records.looks),
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
    kiln: SimulatedKiln, seed: int, *, rng: np.random.Generator
) -> list[Outcome]:
    """Start with 12 tiles, then fire what `next` chooses, load by load."""
    plan = factorial(3)
    records, outcomes = invent_records(kiln, plan, rng=rng), []
    for places in (*NEXT_LOADS, 0):
        fit = fit_of(records, seed)
        outcomes.append(judge("next", kiln, fit, records))
        if not places:
            break
        chosen = next_tiles(fit, plan, places=places).table
        load = (float(chosen["temperature_degC"].iloc[0]), list(chosen["dwell_s"]))
        more = stated_plan(
            SERIES, [load], first_load=outcomes[-1].loads + 1, first_tile=plan.n_tiles
        )
        fired = invent_records(kiln, more, rng=rng)
        plan = replace(plan, tiles=pd.concat([plan.tiles, more.tiles], ignore_index=True))
        looks = pd.concat([records.looks, fired.looks], ignore_index=True)
        records = replace(records, plan=plan, looks=looks)
    return outcomes
