"""Told likeness of a jar to earlier ones, against whether it is like them.

Run ``python analyses/memory/likeness.py --out TABLES --jars 200`` from the project's
folder. Jars are drawn from the mixture itself: whether each came from its learned part is
then known. And jars are drawn whose middle alone is so many degrees from the others'.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from studios import BETWEEN_DEGC, draw_jar, fire, study_plan, study_series
from study import EARLIER, N_DRAWS, earlier_jars, taught

from firelab.fits.ordinal.stage_posterior import believed_stage, fit_posterior
from firelab.memory.learn import SeriesEvidence
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries
from firelab.series.history import LearnedPrior
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

SIZES = (8, 12, 20)
AWAY_DEGC = (0.0, 30.0, 45.0, 60.0, 90.0)
BANK = 18
BINS = (0.0, 0.1, 0.5, 0.7, 0.9, 0.97, 1.0)


def with_history(series: FiringSeries, learned: LearnedPrior) -> FiringSeries:
    """Return a series whose prior is the mixture."""
    return replace(series, priors=replace(series.priors, learned=learned))


def drawn_jar(
    series: FiringSeries, plan: Plan, rng: np.random.Generator
) -> tuple[SimulatedKiln, bool]:
    """Return a jar drawn from the prior of a series, and whether from what was learned."""
    kiln = draw_jar(series, rng)
    nothing = fire(kiln, plan, rng)
    nothing = replace(nothing, looks=nothing.looks.iloc[:0])
    believed = believed_stage(nothing, rng=rng, n_draws=200)
    at = int(rng.integers(200))
    draws = believed.draws
    effects = {
        str(column): float(beta)
        for column, beta in zip(believed.columns, draws.coefficients[at], strict=True)
    }
    jar = replace(
        kiln,
        thresholds=tuple(float(cut) for cut in draws.thresholds[at]),
        effects=effects,
        load_sd=float(draws.load_sd[at]),
        place_sd=float(draws.place_sd[at]),
        slip=float(believed.slip[at]),
    )
    share = series.priors.learned.share if series.priors.learned else 0.0
    return jar, at < round(200 * share)


def rows_of(
    number: int, bank: list[SeriesEvidence], plans: dict[int, tuple[FiringSeries, Plan]]
) -> Iterator[dict[str, object]]:
    """Yield the likeness of one drawn jar, and of jars so far away, at each size."""
    rng = np.random.default_rng([7, number])
    chosen = rng.choice(len(bank), EARLIER, replace=False)
    learned = taught([bank[place] for place in chosen], plans[SIZES[0]][0])
    for size, (plain, plan) in plans.items():
        series = with_history(plain, learned)
        jar, like = drawn_jar(series, plan, rng)
        jars = [("mixture", like, jar)]
        jars += [
            (
                f"{away:.0f} degC away",
                away == 0,
                draw_jar(series, rng, sds_away=away / BETWEEN_DEGC),
            )
            for away in AWAY_DEGC
        ]
        for law, is_like, kiln in jars:
            fit = fit_posterior(fire(kiln, plan, rng), n_draws=N_DRAWS)
            yield {
                "jar": number,
                "tiles": size,
                "law": law,
                "like": is_like,
                "likeness": fit.likeness,
            }


def summarise(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return told against true likeness in bins, and the likeness by distance."""
    drawn = rows[rows["law"] == "mixture"]
    bins = pd.cut(drawn["likeness"], BINS, include_lowest=True)
    told = drawn.groupby(["tiles", bins], observed=True).agg(
        jars=("like", "size"), told=("likeness", "mean"), true=("like", "mean")
    )
    away = rows[rows["law"] != "mixture"].groupby(["tiles", "law"], sort=False)["likeness"]
    shares = {f"q{share:.1f}": away.quantile(share) for share in (0.1, 0.5, 0.9)}
    return told.round(3).reset_index(), pd.DataFrame(shares).round(3).reset_index()


def main() -> None:
    """Draw jar after jar, then write the tables."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--jars", type=int, default=100)
    words.add_argument("--minutes", type=float, default=10.0)
    asked = words.parse_args()
    end = time.monotonic() + 60 * asked.minutes
    bank = earlier_jars(BANK)
    sized = {n: study_series("latin-hypercube", n) for n in SIZES}
    plans = {n: (series, study_plan(series)) for n, series in sized.items()}
    rows: list[dict[str, object]] = []
    for number in range(asked.jars):
        if time.monotonic() > end:
            break
        rows += rows_of(number, bank, plans)
    table = pd.DataFrame(rows)
    told, far = summarise(table)
    told.to_csv(asked.out / "likeness_told.csv", index=False)
    far.to_csv(asked.out / "likeness_away.csv", index=False)
    sys.stdout.write(f"{table['jar'].nunique()} jars\n{told}\n{far}\n")


if __name__ == "__main__":
    main()
