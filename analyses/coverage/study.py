"""How often a 90 % interval for an edge of the window holds the true edge.

Run ``python analyses/coverage/study.py --out TABLES --blocks BLOCKS`` from the
project's folder; README.md says what is counted. Series are run in blocks of every
cell in turn; a block that BLOCKS holds already is not run again.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

sys.path.insert(0, str(Path(__file__).parent))

from invented import (
    DWELLS_S,
    FAMILIES,
    LOAD_SDS,
    TEMPERATURES_DEGF,
    draw_truth,
    study_plan,
    study_series,
)
from rival import usual_edges

from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.windows.edges.edge_draws import interval_of, temperature_edges
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.simulation.expected_kiln import invent_records

SETTING = {"mesh": 80, "layers": 1, "base": "none"}
N_DRAWS = 1000
BLOCK = 50
CELLS = tuple(itertools.product(FAMILIES, TEMPERATURES_DEGF, LOAD_SDS))
TOLD = ("low %", "high %", "width degC")
KEYS = ["family", "tiles", "load_sd"]


def study_one(family: str, tiles: int, load_sd: float, number: int) -> list[dict]:
    """Invent one colour, fire it, and hold every edge to the truth."""
    series = study_series(tiles)
    rng = np.random.default_rng([tiles, FAMILIES.index(family), int(10 * load_sd), number])
    kiln = draw_truth(series, family, load_sd, rng=rng)
    records = invent_records(kiln, study_plan(series, tiles), rng=rng)
    fit = fit_posterior(records, rng=rng, n_draws=N_DRAWS)
    (target,) = targets_of(fit, [SETTING])
    usual = usual_edges(records, DWELLS_S)
    rows = []
    for dwell in DWELLS_S:
        edges = (
            temperature_edges(target, dwell, target.span.low_edge),
            temperature_edges(target, dwell, target.span.high_edge),
        )
        for side, true, draws in zip(
            ("low", "high"), kiln.true_edges(dwell), edges, strict=True
        ):
            asked = {"number": number, "side": side, "dwell_s": dwell, "true": true}
            told = {"posterior": interval_of(draws, series.window.level)}
            told["OrderedModel"] = usual.get((side, dwell))
            for method, interval in told.items():
                lower, estimate, upper = interval or (np.nan,) * 3
                rows.append(
                    {
                        **asked,
                        "method": method,
                        "answered": interval is not None and np.isfinite(interval).all(),
                        "held": bool(lower <= true <= upper),
                        "width": upper - lower,
                        "error": estimate - true,
                    }
                )
    return rows


def summarise_cell(rows: pd.DataFrame) -> pd.DataFrame:
    """Count one cell: by method, side and dwell, and over all dwells."""
    every = pd.concat([rows, rows.assign(dwell_s=0.0)])
    parts = []
    for (method, side, dwell), group in every.groupby(["method", "side", "dwell_s"]):
        told = group[group["answered"]]
        parts.append(
            {
                "method": method,
                "side": side,
                "dwell_s": dwell,
                "series": group["number"].nunique(),
                "no_answer": 1.0 - len(told) / len(group),
                "coverage": told["held"].mean(),
                "median_width_degC": told["width"].median(),
                "mean_error_degC": told["error"].mean(),
            }
        )
    return pd.DataFrame(parts)


def run_block(cell: tuple, start: int, folder: Path, jobs: int) -> None:
    """Run a block of one cell's series, unless the folder holds it already."""
    family, tiles, load_sd = cell
    file = folder / f"{family.replace(' ', '-')}_{tiles}_{load_sd:g}_{start:05d}.csv"
    if file.exists():
        return
    found = Parallel(n_jobs=jobs, batch_size=5)(
        delayed(study_one)(family, tiles, load_sd, number)
        for number in range(start, start + BLOCK)
    )
    rows = pd.DataFrame([row for one in found for row in one])
    rows = rows.assign(family=family, tiles=tiles, load_sd=load_sd)
    rows.to_csv(folder / "unfinished", index=False)
    (folder / "unfinished").replace(file)


def summarise_blocks(folder: Path) -> pd.DataFrame:
    """Count every cell over the blocks that a folder holds."""
    rows = pd.concat([pd.read_csv(file) for file in sorted(folder.glob("*_*.csv"))])
    cells = {values: cell for values, cell in rows.groupby(KEYS)}
    return pd.concat(
        [
            summarise_cell(cells[values]).assign(**dict(zip(KEYS, values, strict=True)))
            for values in CELLS
            if values in cells
        ],
        ignore_index=True,
    )


def main() -> None:
    """Run block after block over all cells and write the tables after each round."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True, help="folder for the tables")
    words.add_argument("--blocks", type=Path, required=True, help="folder for the blocks")
    words.add_argument("--series", type=int, default=1000, help="series per cell")
    words.add_argument("--jobs", type=int, default=2)
    asked = words.parse_args()
    for folder in (asked.out, asked.blocks):
        folder.mkdir(parents=True, exist_ok=True)
    for start in range(0, asked.series, BLOCK):
        for cell in CELLS:
            run_block(cell, start, asked.blocks, asked.jobs)
        done = summarise_blocks(asked.blocks)
        done.round(4).to_csv(asked.out / "cells.csv", index=False)
        (asked.out / "table.md").write_text(table_text(done), encoding="utf-8")
        print(f"{start + BLOCK} series per cell", flush=True)


def table_text(done: pd.DataFrame) -> str:
    """Write the recorded table, coverage in per cent over all dwells."""
    heads = ["truth", "tiles", "load sd", "series"]
    heads += [f"{what}, {whose}" for whose in ("ours", "usual") for what in TOLD]
    heads += ["no answer, usual", "no answer, ours"]
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    whole = done[done["dwell_s"] == 0]
    for (family, tiles, load_sd), cell in whole.groupby(KEYS, sort=False):
        by = cell.set_index(["method", "side"])
        mine, usual = by.loc["posterior"], by.loc["OrderedModel"]
        shares = [mine.loc[side, "coverage"] for side in ("low", "high")]
        usual_shares = [usual.loc[side, "coverage"] for side in ("low", "high")]
        cells = [
            family,
            f"{tiles}",
            f"{load_sd:g}",
            f"{mine['series'].iloc[0]}",
            *(f"{100 * share:.1f}" for share in shares),
            f"{mine['median_width_degC'].mean():.0f}",
            *(f"{100 * share:.1f}" for share in usual_shares),
            f"{usual['median_width_degC'].mean():.0f}",
            f"{100 * usual['no_answer'].mean():.1f}",
            f"{100 * mine['no_answer'].mean():.1f}",
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
