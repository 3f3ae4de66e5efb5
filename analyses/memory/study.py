"""How much smaller a series may be after nine others, and what that costs on odd jars.

Run ``python analyses/memory/study.py --out TABLES --minutes 10`` from the project's
folder; README.md says what is counted. Studios are run in turn and each is kept once it
is whole; those that the folder holds are not run again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from studios import AT_S, draw_jar, fire, study_plan, study_series

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.memory.history import History, write_history
from firelab.memory.learn import SeriesEvidence, learn_group, series_evidence
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.history import LearnedPrior, learned_prior
from firelab.windows.edges.edge_draws import interval_of, temperature_edges
from firelab.windows.edges.target_at_setting import targets_of

SIZES = (8, 12, 20)
EARLIER, EARLIER_TILES = 9, 24
BANK = 45
"""Jars of which each studio has nine at random: nine new ones for each take too long."""
ODD_SDS = 3.0
N_DRAWS = 1000
SETTING = {"mesh": 80, "layers": 1, "base": "none"}
ROWS = "studios.csv"


def earlier_jars(count: int) -> list[SeriesEvidence]:
    """Return what each of a number of earlier jars says."""
    series = study_series("latin-hypercube", EARLIER_TILES)
    plan = study_plan(series)
    found = []
    for number in range(count):
        rng = np.random.default_rng([1, number])
        found.append(series_evidence(fire(draw_jar(series, rng), plan, rng)))
    return found


def taught(evidence: list[SeriesEvidence], series: FiringSeries) -> LearnedPrior:
    """Return the prior that a studio's history gives, by way of its file."""
    history = History(studio="", groups=(learn_group(evidence),), left_out=())
    with tempfile.TemporaryDirectory() as folder:
        path = write_history(folder, history)
        grades = series.responses.stage.grades
        found = learned_prior(path, kind="opaque", metal="copper", grades=grades)
    if found is None:
        raise ValueError("the earlier jars taught nothing")
    return found


def edges_of(records: Records) -> tuple[list[tuple[float, float]], float | None]:
    """Return the intervals of both edges at the usual dwell, and the likeness."""
    fit = fit_posterior(records, n_draws=N_DRAWS)
    (target,) = targets_of(fit, [SETTING])
    spans = (target.span.low_edge, target.span.high_edge)
    found = [
        interval_of(temperature_edges(target, AT_S, edge), records.series.window.level)
        for edge in spans
    ]
    return [(one[0], one[2]) for one in found], fit.likeness


def study_one(
    number: int,
    bank: list[SeriesEvidence],
    plans: dict[str, tuple[FiringSeries, Plan]],
) -> list[dict[str, object]]:
    """Return the widths of the edges of a like and of an odd tenth jar."""
    rng = np.random.default_rng([2, number])
    own = [bank[place] for place in rng.choice(len(bank), EARLIER, replace=False)]
    any_series = plans["factorial 36"][0]
    learned = taught(own, any_series)
    rows: list[dict[str, object]] = []
    for jar, away in (("like", None), ("odd", ODD_SDS)):
        truth = draw_jar(any_series, rng, sds_away=away)
        true = truth.true_edges(AT_S)
        for name, (series, plan) in plans.items():
            looks = fire(replace(truth, series=series), plan, rng)
            for prior in ("usual", "learned"):
                if prior == "learned" and name.startswith("factorial"):
                    continue
                stated = replace(
                    series.priors, learned=learned if prior == "learned" else None
                )
                told, likeness = edges_of(
                    replace(looks, series=replace(series, priors=stated))
                )
                for side, edge, (low, high) in zip(
                    ("low", "high"), true, told, strict=True
                ):
                    rows.append(
                        {
                            "studio": number,
                            "jar": jar,
                            "plan": name,
                            "prior": prior,
                            "side": side,
                            "held": bool(low <= edge <= high),
                            "width_degC": high - low,
                            "likeness": likeness,
                        }
                    )
    return rows


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Return coverage and the median width over the factorial's, by jar and plan."""
    width = rows.groupby(["jar", "plan", "prior"])["width_degC"].median()
    found = rows.groupby(["jar", "plan", "prior"]).agg(
        studios=("studio", "nunique"),
        held=("held", "mean"),
        median_width_degC=("width_degC", "median"),
        likeness=("likeness", "median"),
    )
    base = {jar: width[jar, "factorial 36", "usual"] for jar in ("like", "odd")}
    jars = found.index.get_level_values("jar").map(base)
    return found.assign(of_factorial=found["median_width_degC"] / jars).reset_index()


def study_plans(sizes: tuple[int, ...] = SIZES) -> dict[str, tuple[FiringSeries, Plan]]:
    """Return the plans that are compared, by name."""
    found = {}
    for kind, tiles in (("factorial", None), *(("latin-hypercube", n) for n in sizes)):
        series = study_series(kind, tiles)
        plan = study_plan(series)
        found[f"{kind} {plan.n_tiles}"] = (series, plan)
    return found


def run_in_time(
    what: str,
    run: Callable[[int], list[dict[str, object]]],
    summarise: Callable[[pd.DataFrame], pd.DataFrame],
    *,
    rows: str,
    table: str,
) -> None:
    """Run studio after studio until the time is over; rows are kept, and gone on from."""
    words = argparse.ArgumentParser(description=what)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--minutes", type=float, default=10.0)
    words.add_argument("--studios", type=int, default=300)
    asked = words.parse_args()
    end = time.monotonic() + 60 * asked.minutes
    file = asked.out / rows
    kept = pd.read_csv(file) if file.exists() else pd.DataFrame({"studio": []})
    for number in sorted(set(range(asked.studios)) - set(kept["studio"])):
        if time.monotonic() > end:
            break
        kept = pd.concat([kept, pd.DataFrame(run(number))])
        kept.to_csv(file, index=False)
        summarise(kept).round(3).to_csv(asked.out / table, index=False)


def main() -> None:
    """Run studio after studio, and write the table of widths."""
    bank, plans = earlier_jars(BANK), study_plans()
    run_in_time(
        str(__doc__),
        lambda number: study_one(number, bank, plans),
        summarise,
        rows=ROWS,
        table="widths.csv",
    )


if __name__ == "__main__":
    main()
