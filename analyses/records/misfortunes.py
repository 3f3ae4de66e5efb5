"""What every command says of looks at which kiln, eye, hand or pen went wrong.

Each ready design is planned and graded with each misfortune, by a law that shares nothing
with the fit, and taken through the chain from `record` to `verify`. README.md says what
counts as a fault.

    python analyses/records/misfortunes.py --out TABLES --rounds 1
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from typer.testing import CliRunner

from firelab.cli.app import app

GRADES = ("sugar", "orange peel", "full", "over")
DESIGNS = ("class-of-twenty", "clear-transparent", "few-blanks", "opaque-window")
"""One with many places of the rack, one scored, one fired on, one of several sessions."""
COMMANDS = (
    *(("check",), ("fit",), ("fit", "--observers"), ("fit", "--method", "ml")),
    *(("fit", "--heat-work"), ("fit", "--compare"), ("windows",), ("windows", "--json")),
    *(("next",), ("next", "--json"), ("next", "--once"), ("report",), ("check",)),
)
LAWFUL = (0, 1, 3)
"""Exit codes of an answer, of findings, and of too few looks; 2 is a wrong call."""
PASSES_DEGC = 5.0
"""Scale of the logistic noise between tiles."""

Graded = Callable[[pd.DataFrame, np.ndarray, np.random.Generator], pd.Series]


def by_heat(edges: tuple[float, ...]) -> Graded:
    """Grade by the heat of a tile beyond the beginning of full, degC."""

    def grade(fired: pd.DataFrame, heat: np.ndarray, rng: np.random.Generator) -> pd.Series:
        return pd.Series(np.array(GRADES)[np.digitize(heat, edges)], fired.index)

    return grade


USUAL = by_heat((-25.0, 0.0, 40.0))


def only(*grades: str) -> Graded:
    """Grade with few of the grades, parted at the beginning of full."""

    def grade(fired: pd.DataFrame, heat: np.ndarray, rng: np.random.Generator) -> pd.Series:
        at = np.minimum((heat > 0.0).astype(int), len(grades) - 1)
        return pd.Series(np.array(grades)[at], fired.index)

    return grade


def hotter(where: str, degC: float) -> Graded:
    """Grade as if one load, or one place of the rack, were hotter than it read."""

    def grade(fired: pd.DataFrame, heat: np.ndarray, rng: np.random.Generator) -> pd.Series:
        own = fired[where] == rng.choice(fired[where].unique())
        return USUAL(fired, heat + np.where(own, degC, 0.0), rng)

    return grade


def lost(fired: pd.DataFrame, heat: np.ndarray, rng: np.random.Generator) -> pd.Series:
    """Lose three tiles in ten."""
    return USUAL(fired, heat, rng).where(rng.random(len(fired)) > 0.3, "lost")


@dataclass(frozen=True, kw_only=True)
class Misfortune:
    """How looks are graded and written, and words that name it where tiles can tell it."""

    grade: Graded = USUAL
    named: str = ""
    leans_degC: tuple[float, ...] = (0.0,)
    most_tiles: int | None = None
    read_sd_degC: float = 0.0


def falling(fired: pd.DataFrame, heat: np.ndarray, rng: np.random.Generator) -> pd.Series:
    """Grade as if heat took back what it did."""
    return USUAL(fired, -heat, rng)


def by_chance(fired: pd.DataFrame, heat: np.ndarray, rng: np.random.Generator) -> pd.Series:
    """Grade whatever the heat was."""
    return USUAL(fired, rng.normal(0.0, 60.0, len(fired)), rng)


MISFORTUNES = {
    "none": Misfortune(),
    "a place 30 degC hotter": Misfortune(
        grade=hotter("place", 30.0), named="of the rack is"
    ),
    "a load 60 degC hotter": Misfortune(grade=hotter("load", 60.0), named="Load "),
    "a second person 40 degC apart": Misfortune(
        leans_degC=(0.0, 40.0), named="grades as if"
    ),
    "three people": Misfortune(leans_degC=(0.0, 4.0, -3.0)),
    "grades that fall with heat": Misfortune(grade=falling, named="fall with heat"),
    "grades by chance": Misfortune(grade=by_chance),
    "all full": Misfortune(grade=only("full")),
    "all sugar": Misfortune(grade=only("sugar")),
    "full or over": Misfortune(grade=only("full", "over")),
    "sugar or over": Misfortune(grade=only("sugar", "over")),
    "grades 3 degC wide": Misfortune(grade=by_heat((-3.0, 0.0, 3.0))),
    "three tiles in ten lost": Misfortune(grade=lost),
    "four tiles only": Misfortune(most_tiles=4),
    "readings 25 degC off": Misfortune(read_sd_degC=25.0),
}


def graded_looks(
    plan: pd.DataFrame, misfortune: str, rng: np.random.Generator, *, scored: bool
) -> pd.DataFrame:
    """Return a table of looks as a person would write it."""
    what = MISFORTUNES[misfortune]
    fired = plan.drop_duplicates("tile").assign(place=plan.groupby("load").cumcount())
    middle = fired["temperature_degC"].median() + rng.normal(0.0, 15.0)
    heat = (fired["temperature_degC"] - middle).to_numpy()
    heat = heat + 30.0 * np.log2(fired["dwell_s"].to_numpy() / 135.0)
    looks = []
    for person, lean in enumerate(what.leans_degC):
        seen = heat + lean + rng.logistic(0.0, PASSES_DEGC, len(fired))
        own = fired[["tile"]].assign(
            stage=what.grade(fired, seen, rng), observer=f"person {person + 1}"
        )
        if scored:
            own["transparency"] = np.clip(np.round(5.0 + seen / 15.0), 0, 10).astype(int)
        if what.read_sd_degC:
            off = rng.normal(0.0, what.read_sd_degC, len(fired))
            read = fired["temperature_degC"] + off
            own["temperature_degC"] = read.round()
        looks.append(own.head(what.most_tiles or len(own)))
    table = pd.concat(looks)
    if scored:
        table["transparency"] = table["transparency"].where(table["stage"] != "lost")
    return table


def run(*words: str) -> tuple[str, str]:
    """Run a command; return what it said, and what is wrong with how it ended."""
    ended = CliRunner().invoke(app, list(words))
    fault = ""
    if ended.exception is not None and not isinstance(ended.exception, SystemExit):
        fault = f"{type(ended.exception).__name__} of {' '.join(words)}"
    elif ended.exit_code not in LAWFUL:
        fault = f"exit {ended.exit_code} of {' '.join(words)}"
    elif "--json" in words:
        try:
            json.loads(ended.stdout)
        except ValueError:
            fault = f"no JSON of {' '.join(words)}"
    return ended.output, fault


def walk(base: Path, design: str, misfortune: str, number: int) -> dict[str, object]:
    """Take a series through the chain; return what was wrong, and whether it was named."""
    rng = np.random.default_rng([17, number])
    folder = str(base / f"series-{number}")
    run("new", folder, "--from", design)
    file = Path(folder) / "series.toml"
    text = file.read_text(encoding="utf-8")
    for blank in ("name of the colour", "a colour you know"):
        text = text.replace(blank, f"plover {blank.split()[-1]} (invented)")
    file.write_text(text, encoding="utf-8")
    run("plan", folder)
    plan = pd.read_csv(Path(folder) / "plan.csv").query("role != 'control'")
    scored = "[responses.transparency]" in text
    table, bundle = base / "looks.csv", str(base / f"{number}.zip")
    graded_looks(plan, misfortune, rng, scored=scored).to_csv(table, index=False)
    said, faults = {}, []
    for words in (
        ("record", str(table), folder),
        *((first, folder, *rest) for first, *rest in COMMANDS),
        ("pack", folder, "--licence", "CC0-1.0", "--out", bundle),
        ("verify", bundle),
    ):
        said[words], fault = run(*words)
        faults += [fault] if fault else []
    if not said["verify", bundle].startswith("agrees"):
        faults.append("verify does not agree")
    wanted = MISFORTUNES[misfortune].named
    told = said["fit", folder] + said["windows", folder]
    named = wanted in told if wanted else None
    return {
        "number": number,
        "design": design,
        "misfortune": misfortune,
        "faults": "; ".join(faults).replace(str(base), ""),
        "named": named,
    }


def cases(rounds: int) -> Iterator[tuple[int, str, str]]:
    """Return number, design and misfortune of every case."""
    number = 0
    for _ in range(rounds):
        for misfortune in MISFORTUNES:
            for design in DESIGNS:
                yield number, design, misfortune
                number += 1


def main() -> None:
    """Walk every case, keep a row of each, and count them by misfortune."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--rounds", type=int, default=1)
    asked = words.parse_args()
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder:
        for number, design, misfortune in cases(asked.rounds):
            rows.append(walk(Path(folder), design, misfortune, number))
            pd.DataFrame(rows).to_csv(asked.out / "misfortunes_rows.csv", index=False)
    found = pd.DataFrame(rows).assign(faulty=lambda own: own["faults"] != "")
    table = found.groupby("misfortune", sort=False).agg(
        series=("number", "count"), faulty=("faulty", "sum"), named=("named", "sum")
    )
    table.to_csv(asked.out / "misfortunes.csv")
    sys.stdout.write(f"{table}\n")


if __name__ == "__main__":
    main()
