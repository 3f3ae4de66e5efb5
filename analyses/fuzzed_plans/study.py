"""Random series planned lawfully, or refused by check and plan alike; see README.md."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from fuzzing import random_series, verdict


def main() -> None:
    """Judge series until their number or the time is used up; write the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--series", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--name", default="after")
    parser.add_argument("--without-centre", action="store_true")
    asked = parser.parse_args()
    began, verdicts, odd = time.process_time(), Counter[tuple[str, str]](), []
    for seed in range(asked.first, asked.first + asked.series):
        if time.process_time() - began > 60 * asked.minutes:
            break
        series = random_series(seed)
        with tempfile.TemporaryDirectory() as folder:
            found = verdict(series, Path(folder), knows_centre=not asked.without_centre)
        verdicts[series["kind"], found.partition(":")[0]] += 1
        if found not in ("planned", "refused"):
            odd.append({"seed": seed, "kind": series["kind"], "verdict": found})
            print(seed, series["kind"], found, flush=True)
        rows = [{"kind": k, "verdict": v, "series": n} for (k, v), n in verdicts.items()]
        if (seed + 1) % 10 == 0 or seed == asked.first + asked.series - 1:
            table = pd.DataFrame(rows).pivot_table(
                index="verdict", columns="kind", values="series", aggfunc="sum"
            )
            table = table.fillna(0).astype("int64")
            table["all"] = table.sum(axis=1)
            (HERE / "expected").mkdir(exist_ok=True)
            table.to_csv(HERE / "expected" / f"{asked.name}.csv", lineterminator="\n")
            columns = ["seed", "kind", "verdict"]
            listed = pd.DataFrame(odd, columns=columns)
            path = HERE / "expected" / f"{asked.name}_odd.csv"
            listed.to_csv(path, index=False, lineterminator="\n")
    print(sum(verdicts.values()), "series,", round(time.process_time() - began), "s")


if __name__ == "__main__":
    main()
