"""How often the answer of a few tiles of a new lot is right.

Run ``python analyses/memory/lots.py --out TABLES`` from the project's folder.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from studios import AT_S, draw_jar, fire, study_plan, study_series

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.memory.lot import judge_looks
from firelab.windows.setting_window import Recipe

SHIFTS_DEGC = (0.0, 5.0, 10.0, 20.0, 30.0)
WITHIN_DEGC = 10.0
TILES = (4, 8)


def study_pair(number: int, tiles: int, shift_degC: float) -> dict[str, object]:
    """Fire an old jar's 24 tiles and a few of a lot that is to be fired so much hotter."""
    rng = np.random.default_rng([9, number, tiles, int(shift_degC)])
    series = study_series("latin-hypercube", 24)
    truth = draw_jar(series, rng)
    fit = fit_posterior(fire(truth, study_plan(series), rng), n_draws=500)
    edges = truth.true_edges(AT_S)
    frame = pd.DataFrame(
        {
            "tile": [f"T{place}" for place in range(tiles)],
            "look": 1,
            "session": [1 + place % 2 for place in range(tiles)],
            "load": range(1, tiles + 1),
            "order": range(1, tiles + 1),
            "temperature_degC": [edges[place // 2 % 2] for place in range(tiles)],
            "dwell_s": AT_S,
            "mesh": 80,
            "grain_um": 177.0,
            "layers": 1,
            "base": "none",
            "role": "test",
        }
    )
    side = rng.choice([-1.0, 1.0])
    cooler = frame.assign(temperature_degC=frame["temperature_degC"] - side * shift_degC)
    stages = truth.simulate(cooler, rng=rng)["stage"]
    grades = pd.Categorical(stages, categories=list(fit.grades), ordered=True)
    recipe = Recipe(
        temperature_degC=float(np.mean(edges)), dwell_s=AT_S, tolerance_degC=0.0,
        tolerance_s=0.0, probability=0.9, assurance=0.9,
    )  # fmt: skip
    found = judge_looks(fit, recipe, frame.assign(stage=grades), within_degC=WITHIN_DEGC)
    true = side * shift_degC
    return {
        "tiles": tiles,
        "shift_degC": shift_degC,
        "verdict": found.verdict,
        "same": found.same,
        "held": bool(found.lower_degC <= true <= found.upper_degC),
        "right_side": found.hotter_degC * true > 0,
    }


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """Return verdicts and the coverage of the interval, by tiles and shift."""
    keys = ["tiles", "shift_degC"]
    shares = {
        name: rows["verdict"].eq(name).groupby([rows[key] for key in keys]).mean()
        for name in ("same", "moved", "cannot tell")
    }
    pairs = rows.groupby(keys).size().rename("pairs")
    held = rows.groupby(keys)["held"].mean()
    told = rows.groupby(keys)["same"].mean().rename("told same")
    return pd.concat([pairs, pd.DataFrame(shares), told, held], axis=1).reset_index()


def judge_answers(rows: pd.DataFrame) -> pd.DataFrame:
    """Return how often each answer is right, against how sure it said it was at least.

    The same is right within what counts as it; moved is right on its side, of which its
    interval of 90 % is 95 % sure.
    """
    is_same = rows["verdict"] == "same"
    right = np.where(is_same, rows["shift_degC"].le(WITHIN_DEGC), rows["right_side"])
    told = np.where(is_same, rows["same"], 0.95)
    answered = rows.assign(right=right, told=told)[rows["verdict"] != "cannot tell"]
    return (
        answered.groupby(["tiles", "verdict"])
        .agg(answers=("right", "size"), told=("told", "mean"), right=("right", "mean"))
        .reset_index()
    )


def main() -> None:
    """Run the pairs until the time is over, and write the tables."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--pairs", type=int, default=40, help="of each size and shift")
    words.add_argument("--minutes", type=float, default=10.0)
    asked = words.parse_args()
    end = time.monotonic() + 60 * asked.minutes
    found: list[dict[str, object]] = []
    for number in range(asked.pairs):
        if time.monotonic() > end:
            break
        found += [
            study_pair(number, tiles, shift) for tiles in TILES for shift in SHIFTS_DEGC
        ]
        rows = pd.DataFrame(found)
        summarise(rows).round(2).to_csv(asked.out / "lots.csv", index=False)
        judge_answers(rows).round(3).to_csv(asked.out / "lots_answers.csv", index=False)


if __name__ == "__main__":
    main()
