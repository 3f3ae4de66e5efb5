"""Plans against published tables and other libraries; see README.md."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from determinants import determinants, split_plot_seeds
from hypercubes import equal_time, shares_of_best
from kiln_problem import kiln_problem
from library_cases import library_cases
from plain_search import strength_of

from firelab.plan.two_level_designs import minimum_aberration, regular_fraction

SIZES = ((4, 1), (5, 1), (5, 2), (6, 2), (6, 3), (7, 2), (7, 3), (7, 4))


def fractions() -> pd.DataFrame:
    """Return the minimum-aberration fractions with their word-length patterns."""
    lines = []
    for k, p in SIZES:
        fraction = minimum_aberration(k, p)
        lines.append(
            {
                "fraction": f"2^({k}-{p})",
                "runs": fraction.n_runs,
                "pattern_from_A3": " ".join(str(n) for n in fraction.pattern),
                "resolution": strength_of(regular_fraction(fraction)) + 1,
            }
        )
    return pd.DataFrame(lines)


def summary_of(runs: pd.DataFrame) -> pd.DataFrame:
    """Return medians of each method; time as a ratio to firelab's without a limit."""
    grouped = runs.groupby("method", sort=False)
    frame = grouped.agg(
        runs=("seed", "size"),
        median_ln_det=("ln_det", "median"),
        least_ln_det=("ln_det", "min"),
        forbidden_rows=("forbidden_rows", "max"),
        one_temperature_per_load=("one_temperature_per_load", "all"),
        most_coarse_coats=("coarse_coats", "max"),
        median_seconds=("seconds", "median"),
        longest_seconds=("seconds", "max"),
    ).reset_index()
    frame["time_ratio"] = (frame["median_seconds"] / frame["median_seconds"].iloc[0]).round(
        2
    )
    return frame.round({"median_seconds": 3, "longest_seconds": 3})


def main() -> None:
    """Run every part and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE / "expected")
    parser.add_argument("--optex-python", help="interpreter that has pyoptex")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    tables = {
        "fractions": fractions(),
        "library_cases": library_cases(),
        "determinants": determinants(),
        "split_plot_seeds": split_plot_seeds(),
        "hypercubes_two_factors": shares_of_best(),
        "hypercubes_equal_time": equal_time(),
    }
    runs = kiln_problem(asked.optex_python)
    tables["kiln_problem"] = summary_of(runs)
    for name, table in tables.items():
        table.to_csv(asked.out / f"{name}.csv", index=False, float_format="%.6g")
        print(f"\n{name}\n{table.to_string(index=False)}")


main()
