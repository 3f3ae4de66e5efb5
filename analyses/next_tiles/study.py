"""How many tiles `firelab next` needs for the edges of a 36-tile factorial.

Run with ``python study.py`` for the whole study (README.md says how long it takes),
or ``python study.py --colours 12`` for a short one. Results go to ``expected/``.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import asdict
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from colours import POPULATIONS, best_for_middle, draw_colour, factorial, latin
from least_width import least_ratio
from outcomes import fit_of, follow_next, judge

from firelab.charts.style import save_figure
from firelab.charts.tile_count import draw_tile_count
from firelab.windows.simulation.expected_kiln import invent_records


def one_colour(population: str, seed: int, *, fixed: bool) -> list[dict[str, object]]:
    """Fire every kind of plan in one invented colour."""
    rng = np.random.default_rng([20261125, list(POPULATIONS).index(population), seed])
    kiln = draw_colour(population, rng=rng)
    plans = [("factorial", factorial(n)) for n in ((9, 3, 4, 5, 6, 7) if fixed else (9,))]
    for n_loads in (3, 5, 7, 9) if fixed else ():
        plans.append(("latin hypercube", latin(n_loads, rng=rng)))
        plans.append(("optimal (D, straight line)", best_for_middle(n_loads)))
    outcomes = []
    for kind, plan in plans:
        records = invent_records(kiln, plan, rng=rng)
        outcomes.append(judge(kind, kiln, fit_of(records, seed), records))
    outcomes += follow_next(kiln, seed, rng=rng)
    if fixed:
        kind = "next, each tile fired once"
        outcomes += follow_next(kiln, seed, rng=rng, kind=kind, fire_on=False)
    ratio = least_ratio(kiln)
    return [
        {"population": population, "colour": seed, **asdict(one), "least_ratio": ratio}
        for one in outcomes
    ]


def summarise(frame: pd.DataFrame) -> pd.DataFrame:
    """Return widths, coverage and recipes by plan and tiles, against the factorial."""
    keys = ["population", "kind", "most_tiles"]
    whole = frame[(frame["kind"] == "factorial") & (frame["most_tiles"] == 36)]
    whole = whole.set_index(["population", "colour"])["width_degC"].rename("whole")
    frame = frame.join(whole, on=["population", "colour"])
    return pd.DataFrame(
        [
            {**dict(zip(keys, at, strict=True)), **summarise_plan(rows)}
            for at, rows in frame.groupby(keys, sort=True)
        ]
    )


def summarise_plan(rows: pd.DataFrame) -> dict[str, float]:
    """Summarise one plan: its width over that of the same colours' factorial."""
    told, whole = rows[rows["recipe"]], rows["whole"]
    ratio = rows["width_degC"].mean() / whole.mean()
    return {
        "tiles": rows["tiles"].mean(),
        "looks": rows["looks"].mean(),
        "loads": rows["loads"].max(),
        "colours": len(rows),
        "width_degC": rows["width_degC"].mean(),
        "of_factorial": ratio,
        # Of a ratio of means over the same colours.
        "error": (rows["width_degC"] - ratio * whole).sem() / whole.mean(),
        "median_degC": rows["width_degC"].median(),
        "median_of_factorial": (rows["width_degC"] / whole).median(),
        "covered": rows["covered"].mean(),
        "recipes": rows["recipe"].mean(),
        "recipe_true": told["recipe_true"].astype(float).mean(),
        "box_true": told["box_true"].astype(float).mean(),
        "least_ratio": rows["least_ratio"].mean(),
    }


def draw(table: pd.DataFrame, out: Path) -> None:
    """Draw tiles against width for each population, as `firelab foresee` draws them."""
    for population, rows in table.groupby("population"):
        shown = rows.rename(columns={"recipes": "chance"}).sort_values(["kind", "tiles"])
        name = str(population).replace(" ", "-")
        save_figure(draw_tile_count(shown, invented=True), out / name)


def main() -> None:
    """Run the study and write its table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--colours", type=int, default=300)
    parser.add_argument("--fixed", type=int, default=100, help="colours with every plan")
    parser.add_argument("--populations", default=",".join(POPULATIONS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="keep every outcome in this table")
    parser.add_argument("--out", type=Path, default=HERE / "expected")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, object]] = []
    for population in asked.populations.split(","):
        jobs = (
            delayed(one_colour)(population, seed, fixed=seed < asked.fixed)
            for seed in range(asked.colours)
        )
        rows += [row for found in Parallel(n_jobs=asked.jobs)(jobs) for row in found]
        if asked.rows:
            pd.DataFrame(rows).to_csv(asked.rows, index=False)
        table = summarise(pd.DataFrame(rows))
        table.round(3).to_csv(asked.out / "widths.csv", index=False)
        draw(table, asked.out)
        print(table[table["population"] == population].round(3).to_string(index=False))


if __name__ == "__main__":
    main()
