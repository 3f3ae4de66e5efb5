"""Promises in working kilns: run ``python analyses/working_kiln/study.py windows``.

README.md says what each of ``windows``, ``next`` and ``hand`` asks. Colours are run in
blocks that are kept; a block that was run with the same sources is not run again.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import pandas as pd
from joblib import Parallel, delayed

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from choosers import CHOOSERS, chooser_once, hand_once
from kilns import KILNS
from promises import how_sure_once, misread_once, next_once, windows_once
from tables import (
    beside_hand_table,
    hand_table,
    how_sure_table,
    misread_table,
    next_table,
    odds_table,
    windows_table,
)

import firelab

Study = Callable[[str, int], list[dict[str, object]]]
BLOCK = 20
AFTER_THE_ROWS = ("study.py", "tables.py")
"""What may change without a block becoming stale."""
ONE_AT_A_TIME = ("one tile at a time", "greedy")
"""Choosers that tell what one more tile would add."""
STUDIES: dict[str, tuple[Study, Callable[[pd.DataFrame], pd.DataFrame]]] = {
    "windows": (windows_once, windows_table),
    "how sure": (how_sure_once, how_sure_table),
    "next": (next_once, next_table),
    "a load read wrong": (misread_once, misread_table),
    "hand": (hand_once, hand_table),
}
"""What is asked of a colour in a kiln, and the table of the answers."""
IN_RANGE = [name for name, kiln in KILNS.items() if not kiln.off_belief]
"""Kilns whose windows lie in the range of the ready design."""


def fingerprint() -> str:
    """Return a hash of firelab and of the simulator: what a block was run with."""
    sources = [*Path(firelab.__file__).parent.rglob("*.py"), *HERE.glob("*.py")]
    sources = [file for file in sources if file.name not in AFTER_THE_ROWS]
    kept = hashlib.sha256()
    for source in sorted(sources):
        kept.update(source.read_bytes())
    return kept.hexdigest()[:12]


def run_block(study: Study, kiln: str, start: int, file: Path, jobs: int) -> None:
    """Run a block of one kiln's colours and keep its rows."""
    found = Parallel(n_jobs=jobs)(
        delayed(study)(kiln, number) for number in range(start, start + BLOCK)
    )
    rows = [
        {"kiln": kiln, "colour": start + k, **row}
        for k, of_colour in enumerate(found)
        for row in of_colour
    ]
    unfinished = file.with_suffix(".part")
    pd.DataFrame(rows).to_csv(unfinished, index=False)
    unfinished.replace(file)


def run_all(
    name: str, study: Study, kilns: list[str], numbers: range, blocks: Path, jobs: int
) -> pd.DataFrame:
    """Run block after block over all kilns; return the rows of all of them."""
    folder = blocks / f"{name}-{fingerprint()}"
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for start in range(numbers.start, numbers.stop, BLOCK):
        for kiln in kilns:
            file = folder / f"{kiln.replace(' ', '-')}_{start:05d}.csv"
            if not file.exists():
                run_block(study, kiln, start, file, jobs)
            files.append(file)
        done = start + BLOCK - numbers.start
        print(f"{name}: {done} colours a kiln", file=sys.stderr, flush=True)
    rows = pd.concat([pd.read_csv(file) for file in files], ignore_index=True)
    return rows[rows["colour"] < numbers.stop]


def main() -> None:
    """Run one study and write its table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("study", choices=(*STUDIES, *CHOOSERS))
    words.add_argument("--kilns", help="names with commas; by default all that serve")
    words.add_argument("--colours", type=int, default=100)
    words.add_argument("--first", type=int, default=0, help="number of the first colour")
    words.add_argument("--tiles", type=int, default=12, help="most tiles of a chooser")
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--blocks", type=Path, default=HERE / "blocks")
    words.add_argument("--out", type=Path, default=HERE / "expected")
    asked = words.parse_args()
    kilns = asked.kilns.split(",") if asked.kilns else list(KILNS)
    name = asked.study
    if name in STUDIES and name != "hand":
        kilns = [kiln for kiln in kilns if kiln in IN_RANGE]
    if name in CHOOSERS:
        study: Study = partial(chooser_once, by=name, most_tiles=asked.tiles)
        told_after = asked.study in ONE_AT_A_TIME
        of_rows = beside_hand_table if told_after else hand_table
        name = f"{name} {asked.tiles}".replace(" ", "-")
    else:
        study, of_rows = STUDIES[name]
        name = name.replace(" ", "-")
    numbers = range(asked.first, asked.first + asked.colours)
    rows = run_all(name, study, kilns, numbers, asked.blocks, asked.jobs)
    table = of_rows(rows)
    asked.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(asked.out / f"{name}.csv", index=False)
    print(table.to_string(index=False))
    if asked.study in CHOOSERS:
        odds_table(rows).to_csv(asked.out / f"{name}-odds.csv", index=False)


if __name__ == "__main__":
    main()
