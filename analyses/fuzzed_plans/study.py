"""Random series planned lawfully, or refused by check and plan alike; see README.md."""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from fuzzing import random_series, verdict

AGAIN_EVERY = 10
"""Of this many series one is planned anew by ``check``, which else meets the answer of
``plan``; chosen here, no source. A version that is asked without centres plans them all."""


def judge(rows: Path, seeds: range, *, minutes: float, knows_centre: bool) -> None:
    """Judge the seeds that the file lacks, and add a row for each, until time is up."""
    known = set(pd.read_csv(rows)["seed"]) if rows.is_file() else set()
    began = time.process_time()
    with rows.open("a", encoding="utf-8", newline="") as stream:
        written = csv.writer(stream, lineterminator="\n")
        if not known:
            written.writerow(("seed", "kind", "verdict"))
        for seed in seeds:
            if time.process_time() - began > 60 * minutes:
                return
            if seed in known:
                continue
            series = random_series(seed)
            with tempfile.TemporaryDirectory() as folder:
                found = verdict(
                    series,
                    Path(folder),
                    knows_centre=knows_centre,
                    again=not knows_centre or seed % AGAIN_EVERY == 0,
                )
            written.writerow((seed, series["kind"], found))
            stream.flush()


def tables(rows: Path, name: str) -> None:
    """Write the verdicts by kind, and the series that came to neither by their seed."""
    judged = pd.read_csv(rows).sort_values("seed")
    short = judged["verdict"].str.partition(":")[0]
    table = pd.crosstab(short, judged["kind"])
    table["all"] = table.sum(axis=1)
    table.to_csv(HERE / "expected" / f"{name}.csv", lineterminator="\n")
    odd = judged[~judged["verdict"].isin(["planned", "refused"])]
    odd.to_csv(HERE / "expected" / f"{name}_odd.csv", index=False, lineterminator="\n")
    print(len(judged), "series,", len(odd), "odd")


def main() -> None:
    """Judge series until their number or the time is used up; write the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--series", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--name", default="after")
    parser.add_argument("--rows", type=Path, required=True, help="a file to go on from")
    parser.add_argument("--without-centre", action="store_true")
    asked = parser.parse_args()
    judge(
        asked.rows,
        range(asked.first, asked.first + asked.series),
        minutes=asked.minutes,
        knows_centre=not asked.without_centre,
    )
    tables(asked.rows, asked.name)


if __name__ == "__main__":
    main()
