"""Count how often pooled edges and kiln offsets hold the truth.

Each trial invents eight studios whose kilns are off by -30 to +30 degC (uniform)
and whose jars and hands are worth a few degC more; pools them with control tiles
and without; and carries the window to a ninth studio of the same sort with 0, 2
and 4 control tiles. Truth is the simulator's own.

    nice -n 10 python analyses/studios/study.py --trials 200 --jobs 1
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from simulated_studios import SimulatedStudios

from firelab.series.folder import json_text, versions
from firelab.series.series_file import design_path, read_series
from firelab.studios.pooling.new_studio import after_looks, before_looks
from firelab.studios.pooling.pool_posterior import pool_studios
from firelab.studios.pooling.tiles_needed import CONTROL, tiles_needed
from firelab.windows.firing_windows import firing_windows
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

LARGEST_DEGC = 30.0
EFFECT_SD_DEGC = 5.0
N_STUDIOS = 8
CONTROL_DEGC = (735.0, 750.0, 775.0, 790.0)
CONTROL_DWELL_S = 135.0
CARRIED = (0, 2, 4)
EFFECTS = {"temperature": 8.0, "dwell": 2.4}
EXPECTED = Path(__file__).parent / "expected" / "coverage.json"


def invented_kilns():
    """Return the truths of the colour and of the control colour."""
    series = read_series(design_path("opaque-window"))
    colour = SimulatedKiln(series=series, thresholds=(-5.0, -2.0, 4.0), effects=EFFECTS)
    control = replace(
        colour, thresholds=(-5.0, -2.0, 1.0), effects={"temperature": 9.0, "dwell": 2.4}
    )
    return colour, control


def hits_of_edges(windows, kiln, shift_degC):
    """Return one row per edge whose truth lies in the fired range: held, and width."""
    low_end, high_end = kiln.series.span("temperature")
    rows = []
    for edge in windows.windows[0].edges:
        truths = kiln.true_edges(edge.dwell_s)
        for truth, found in zip(truths, (edge.low_degC, edge.high_degC), strict=True):
            right = truth - shift_degC
            if not low_end <= right <= high_end:
                continue
            bottom = -np.inf if found.lower is None else found.lower
            top = np.inf if found.upper is None else found.upper
            rows.append((bottom <= right <= top, top - bottom))
    return rows


def held(table, name, right):
    """Return whether each studio's interval holds the truth."""
    return ((table[f"{name}_lower"] <= right) & (right <= table[f"{name}_upper"])).tolist()


def trial(seed):
    """Run one trial; return its hits by name."""
    rng = np.random.default_rng([seed, 20260])
    colour, control = invented_kilns()
    offset = rng.uniform(-LARGEST_DEGC, LARGEST_DEGC, N_STUDIOS + 1)
    effect = rng.normal(0, EFFECT_SD_DEGC, N_STUDIOS + 1)
    studios = SimulatedStudios(
        kiln=colour,
        offset_degC=offset[:N_STUDIOS],
        effect_degC=effect[:N_STUDIOS],
        control=control,
        control_degC=CONTROL_DEGC,
        control_dwell_s=CONTROL_DWELL_S,
    )
    parts = studios.fire(rng=rng)
    total = studios.offset_degC + studios.effect_degC
    centred = total - total.mean()
    found = {"seed": seed}
    fit = pool_studios(parts, rng=rng)
    found["pareto_k"] = fit.convergence.pareto_k
    found["edges, controls"] = hits_of_edges(
        firing_windows(fit.on_average()), colour, total.mean()
    )
    found["shift, controls"] = held(fit.table, "shift", centred)
    kiln = studios.offset_degC - studios.offset_degC.mean()
    found["kiln offset, controls"] = held(fit.table, "kiln", kiln)
    found["kiln offset width, controls"] = (
        fit.table["kiln_upper"] - fit.table["kiln_lower"]
    ).tolist()
    bare = [
        (name, replace(one, looks=one.looks[one.looks["role"] != "control"]))
        for name, one in parts
    ]
    alone = pool_studios(bare, rng=rng)
    found["pareto_k alone"] = alone.convergence.pareto_k
    found["edges, no controls"] = hits_of_edges(
        firing_windows(alone.on_average()), colour, total.mean()
    )
    found["shift, no controls"] = held(alone.table, "shift", centred)
    ninth = float(offset[-1]), float(effect[-1])
    for count in CARRIED:
        windows, shift = carry(fit, control, ninth, count, rng)
        found[f"ninth, {count} controls"] = hits_of_edges(windows, colour, sum(ninth))
        right = sum(ninth) - total.mean()
        found[f"ninth shift, {count} controls"] = [
            (bool(shift[0] <= right <= shift[2]), shift[2] - shift[0])
        ]
    return found


def carry(fit, control, ninth, count, rng):
    """Fire control tiles in the ninth studio and carry the window there."""
    studio = before_looks(fit, rng=rng)
    if count:
        tiles = tiles_needed(fit, rng=rng, most=count, kinds=(CONTROL,)).tiles
        rows = tiles.assign(
            tile=[f"C{n}" for n in range(count)], session=1, load=range(count)
        )
        hot = rows.assign(temperature_degC=rows["temperature_degC"] + ninth[0])
        looks = control.simulate(hot, rng=rng).assign(
            temperature_degC=rows["temperature_degC"], role="control"
        )
        studio = after_looks(studio, looks)
    return studio.windows(rng=rng), studio.shift_degC


def told(name, trials):
    """Return hits, count, coverage with its Monte Carlo error, and mean width."""
    by_trial = [one[name] for one in trials]
    pairs = [
        pair if isinstance(pair, list | tuple) else (pair, np.nan)
        for one in by_trial
        for pair in one
    ]
    hits = np.array([pair[0] for pair in pairs], float)
    widths = np.array([pair[1] for pair in pairs], float)
    # Edges of one trial go together: the error is that of the trials' means.
    means = [
        np.mean([p[0] if isinstance(p, list | tuple) else p for p in one])
        for one in by_trial
        if one
    ]
    return {
        "intervals": int(hits.size),
        "coverage_percent": round(100 * float(hits.mean()), 2),
        "standard_error_percent": round(
            100 * float(np.std(means, ddof=1) / np.sqrt(len(means))), 2
        ),
        "median_width_degC": None
        if np.isnan(widths).all()
        else round(float(np.median(widths)), 1),
    }


def summarise(trials):
    """Return what the trials gave as plain values."""
    apart = ("seed", "pareto_k", "pareto_k alone", "kiln offset width, controls")
    widths = np.concatenate([one["kiln offset width, controls"] for one in trials])
    doubtful = sum(max(one["pareto_k"], one["pareto_k alone"]) > 0.7 for one in trials)
    return {
        "trials": len(trials),
        "studios": N_STUDIOS,
        "level_percent": 90,
        "results": {name: told(name, trials) for name in trials[0] if name not in apart},
        "kiln_offset_median_width_degC": round(float(np.median(widths)), 1),
        "trials_with_pareto_k_above_0.7": int(doubtful),
        "versions": versions(),
    }


def main():
    """Run the trials and write what they gave, every ten as it goes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, default=EXPECTED)
    asked = parser.parse_args()
    asked.out.parent.mkdir(exist_ok=True)
    work = Parallel(n_jobs=asked.jobs, return_as="generator")
    trials = []
    for one in work(delayed(trial)(seed) for seed in range(asked.trials)):
        trials.append(one)
        if len(trials) % 10 == 0 or len(trials) == asked.trials:
            asked.out.write_text(json_text(summarise(trials)), encoding="utf-8")
    print(json.dumps(summarise(trials), indent=1))


if __name__ == "__main__":
    main()
