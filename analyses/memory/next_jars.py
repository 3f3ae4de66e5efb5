"""How many tiles ``next`` needs on a tenth jar that begins from nine others.

Run ``python analyses/memory/next_jars.py --out TABLES --minutes 10`` from the project's
folder. Each jar begins with six tiles between the temperatures that ``new --like`` sets;
then `next` chooses loads of at most one new tile, beside which one may be fired on. Jars
are run in turn and each is kept once it is whole.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "next_tiles")]

from outcomes import with_load
from studios import AT_S, draw_jar, fire, study_plan, study_series
from study import EARLIER, N_DRAWS, SETTING, earlier_jars, run_in_time, taught

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.memory.history import likely_range
from firelab.memory.learn import SeriesEvidence
from firelab.plan.plan import Plan
from firelab.series.factors import TemperatureFactor
from firelab.series.firing_series import FiringSeries
from firelab.windows.edges.edge_draws import interval_of, temperature_edges
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.simulation.expected_kiln import invent_records
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

START = 6
NEXT_NEW = (1, 1, 1, 1, 0, 0)
"""New tiles, at most, of each load that `next` chooses; its other place is fired on."""
BANK = 18
JARS = (("like", None), ("odd", 3.0))
ROWS = "next_jars_rows.csv"


def begun(series: FiringSeries, evidence: list[SeriesEvidence]) -> FiringSeries:
    """Return a series as ``new --like`` begins it."""
    learned = taught(evidence, series)
    own = replace(series, priors=replace(series.priors, learned=learned))
    low, high = likely_range(own, learned)
    if own.kiln.reads == "degF":
        low, high = (low - 32.0) / 1.8, (high - 32.0) / 1.8
    heats = TemperatureFactor(low=float(low), high=float(high))
    return replace(own, factors=replace(own.factors, temperature=heats))


def judged(fit: StagePosterior, kiln: SimulatedKiln) -> list[dict[str, object]]:
    """Return width and truth of the interval of each edge at the usual dwell."""
    (target,) = targets_of(fit, [SETTING])
    found = []
    for edge, true in zip(
        (target.span.low_edge, target.span.high_edge), kiln.true_edges(AT_S), strict=True
    ):
        low, _, high = interval_of(temperature_edges(target, AT_S, edge), 0.9)
        found.append({"held": bool(low <= true <= high), "width_degC": high - low})
    return found


def follow(
    kiln: SimulatedKiln, series: FiringSeries, number: int
) -> list[dict[str, object]]:
    """Start with a few tiles, then fire what `next` chooses, load by load."""
    plan: Plan = study_plan(series)
    rows: list[dict[str, object]] = []
    for most_new in (*NEXT_NEW, None):
        rng = np.random.default_rng([11, number])
        looks = invent_records(kiln, plan, rng=rng, growing=True)
        records = replace(looks, series=series, plan=plan)
        fit = fit_posterior(records, n_draws=N_DRAWS)
        seen = {"tiles": plan.n_tiles, "looks": len(looks.looks)}
        seen["loads"] = int(looks.looks["load"].nunique())
        rows += [{**seen, **one} for one in judged(fit, kiln)]
        if most_new is not None:
            plan = with_load(fit, plan, most_new=most_new, fire_on=True)
    return rows


def run_one(number: int, bank: list[SeriesEvidence]) -> list[dict[str, object]]:
    """Return what one studio's like and odd tenth jars gave."""
    rng = np.random.default_rng([2, number])
    own = [bank[place] for place in rng.choice(len(bank), EARLIER, replace=False)]
    wide = study_series("factorial", None)
    series = begun(study_series("latin-hypercube", START), own)
    rows: list[dict[str, object]] = []
    for jar, away in JARS:
        kiln = draw_jar(wide, rng, sds_away=away)
        whole = fit_posterior(fire(kiln, study_plan(wide), rng), n_draws=N_DRAWS)
        found = [
            {"step": "factorial", "tiles": 36, "looks": 36, "loads": 18, **one}
            for one in judged(whole, kiln)
        ]
        found += [{"step": "next", **one} for one in follow(kiln, series, number)]
        rows += [{"studio": number, "jar": jar, **one} for one in found]
    return rows


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Return width over the factorial's and coverage, by jar, tiles and loads."""
    keys = ["jar", "step", "loads"]
    found = rows.groupby(keys).agg(
        studios=("studio", "nunique"),
        tiles=("tiles", "mean"),
        looks=("looks", "mean"),
        held=("held", "mean"),
        median_width_degC=("width_degC", "median"),
    )
    base = found.xs("factorial", level="step")["median_width_degC"].droplevel("loads")
    jars = found.index.get_level_values("jar").map(base)
    return found.assign(of_factorial=found["median_width_degC"] / jars).reset_index()


def main() -> None:
    """Run jar after jar, and write the table."""
    bank = earlier_jars(BANK)
    run_in_time(
        str(__doc__),
        lambda number: run_one(number, bank),
        summarise,
        rows=ROWS,
        table="next_jars.csv",
    )


if __name__ == "__main__":
    main()
