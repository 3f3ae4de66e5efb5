"""How long ``learn`` takes on ten thousand bundles.

Run ``python analyses/memory/bundles.py --out TABLES --bundles 200`` from the project's
folder. So many invented bundles are read and fitted as ``learn`` does it; then what they
say is multiplied, a little moved each time, until it is ten thousand series, and held
together. Both are timed in processor time.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "shelf"))

import study as shelf

from firelab.memory.learn import SeriesEvidence, fit_series, learn_group

WHOLE = 10_000


class Maker(shelf.Maker):
    """Makes bundles of fifteen tiles of one kind on one metal."""

    def kind(self, number: int) -> str:
        """Return opaque, always."""
        return "opaque"

    def metal(self, number: int) -> str:
        """Return copper, always."""
        return "copper"


def multiplied(
    found: list[SeriesEvidence], count: int, rng: np.random.Generator
) -> list[SeriesEvidence]:
    """Return so many series that say what those found say, each moved by its own sd."""
    more = []
    for number in range(count):
        one = found[number % len(found)]
        moved = {
            name: (mean + sd * float(rng.standard_normal()), sd)
            for name, (mean, sd) in one.posterior.items()
        }
        more.append(replace(one, posterior=moved))
    return more


def main() -> None:
    """Make bundles, fit them, multiply what they say, and write how long each took."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--bundles", type=int, default=200)
    asked = words.parse_args()
    shelf.REPEATS = 1
    maker = Maker()
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        for number in range(asked.bundles):
            (base / f"{number:05}.zip").write_bytes(maker.bundle(number))
        start = time.process_time()
        found, faults = fit_series(sorted(base.glob("*.zip")))
        fitting = time.process_time() - start
    if faults:
        raise ValueError(faults[0])
    more = multiplied(found, WHOLE, np.random.default_rng(1))
    start = time.process_time()
    group = learn_group(more)
    holding = time.process_time() - start
    row = {
        "bundles fitted": len(found),
        "seconds a bundle": fitting / len(found),
        "series held together": len(more),
        "seconds to hold them together": holding,
        "whole of them, minutes": (fitting / len(found) * WHOLE + holding) / 60,
        "largest memory, MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    pd.DataFrame([row]).round(3).to_csv(asked.out / "bundles.csv", index=False)
    sys.stdout.write(f"{row}\n" + "\n".join(group.lines()) + "\n")


if __name__ == "__main__":
    main()
