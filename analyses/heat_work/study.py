"""Heat work against temperature and dwell, on invented series of four kinds.

    python analyses/heat_work/study.py --series 60 --seed 20250401 [--write]

Truth is three logits per e-fold of heat work, loads differing by 0.3 logits.
"""

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

from firelab.craft.heating import KilnDrop
from firelab.fits.questions.heat_courses import heat_courses
from firelab.fits.questions.heat_work import fit_heat_work
from firelab.fits.questions.heat_work_comparison import compare_heat_work
from firelab.records.records import Records
from firelab.records.trace_file import KilnTrace
from firelab.series.folder import Provenance
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("opaque-window"))
GRADES = list(SERIES.responses.stage.grades)
EXPECTED = Path(__file__).parent / "expected" / "results.json"
ENERGY, PER_FOLD, LOAD_SD = 300.0, 3.0, 0.3
KINDS = ("once", "refired", "falling kiln, unread", "falling kiln, traced")


def records_of(frame):
    frame = frame.assign(
        mesh=80, grain_um=180.0, layers=1, base="none", role="test", session=1, observer=""
    )
    stage = pd.Categorical(frame["stage"], categories=GRADES, ordered=True)
    frame["total_dwell_s"] = frame.groupby("tile")["dwell_s"].cumsum()
    provenance = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})
    return Records(
        series=SERIES, plan=None, looks=frame.assign(stage=stage), provenance=provenance
    )


def fired(refired):
    """Ten loads of four: every temperature twice, dwells in turn."""
    heats, dwells = SERIES.factors.levels("temperature"), SERIES.factors.levels("dwell")
    rows = []
    for load in range(10):
        for place in range(4):
            tile, heat = f"T{load}{place}", heats[load % 5]
            if refired and place % 2:
                rows += [(tile, look, load + 1, heat, 60.0) for look in (1, 2, 3)]
            else:
                rows.append((tile, 1, load + 1, heat, dwells[(load + place) % 3]))
    names = ["tile", "look", "load", "temperature_degC", "dwell_s"]
    return pd.DataFrame(rows, columns=names).assign(stage="full")


def kiln_of(kind, frame, rng):
    """Return each load's own fall at the door, as it was and as a trace of it."""
    falls = rng.uniform(0.0, 80.0, 10) if kind.startswith("falling") else np.zeros(10)
    time = np.linspace(0.0, 300.0, 301)
    held = frame.groupby("load")["temperature_degC"].first()
    return {
        int(load): KilnTrace(
            time_s=time,
            temperature_degC=KilnDrop(drop_degC=fall).course(held[load], time),
        )
        for load, fall in zip(held.index, falls, strict=True)
    }


def one_series(kind, seed):
    rng = np.random.default_rng(seed)
    frame = fired(kind == "refired")
    traces = kiln_of(kind, frame, rng)
    truth = heat_courses(replace(records_of(frame), traces=traces)).progress(ENERGY)
    load = frame["load"].to_numpy() - 1
    eta = PER_FOLD * (truth - np.median(truth)) + LOAD_SD * rng.normal(size=10)[load]
    noise = rng.logistic(size=len(frame))
    grade = np.searchsorted([-2.5, 0.0, 2.5], eta + noise)
    records = records_of(frame.assign(stage=[GRADES[one] for one in grade]))
    if kind != "falling kiln, unread":
        records = replace(records, traces=traces)
    courses = heat_courses(records)
    fit = fit_heat_work(records, courses=courses)
    found = compare_heat_work(records, courses=courses)
    low, high = fit.lower_kJ_mol or 0.0, fit.upper_kJ_mol or np.inf
    return {
        "held": bool(low <= ENERGY <= high),
        "unbounded": fit.lower_kJ_mol is None or fit.upper_kJ_mol is None,
        "energy": fit.activation_kJ_mol,
        "heat_work": found.heat_work,
        "gain": found.gain,
    }


def summarised(rows):
    frame = pd.DataFrame(rows)
    gain = frame["gain"]
    return {
        "series": len(frame),
        "score by heat work": round(float(frame["heat_work"].mean()), 4),
        "gain over temperature and dwell": round(float(gain.mean()), 4),
        "its standard error": round(float(gain.std(ddof=1) / np.sqrt(len(gain))), 4),
        "share of series that gain": round(float((gain > 0).mean()), 3),
        "energy, quartiles kJ/mol": frame["energy"]
        .quantile([0.25, 0.5, 0.75])
        .round()
        .tolist(),
        "90 % interval holds 300 kJ/mol": round(float(frame["held"].mean()), 3),
        "interval without an end": round(float(frame["unbounded"].mean()), 3),
    }


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--series", type=int, default=60)
    parser.add_argument("--seed", type=int, default=20250401)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, help="one kind alone; others are kept")
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    for place, kind in enumerate(KINDS):
        if chosen.kind not in (None, kind):
            continue
        seeds = np.random.SeedSequence([chosen.seed, place]).generate_state(chosen.series)
        rows = Parallel(n_jobs=chosen.jobs)(delayed(one_series)(kind, s) for s in seeds)
        result = summarised(rows)
        print(kind, json.dumps(result), flush=True)
        if chosen.write:
            keep(kind, result, chosen.seed)


def keep(kind, result, seed):
    """Write one kind's result beside those that are recorded."""
    recorded = json.loads(EXPECTED.read_text()) if EXPECTED.exists() else {"results": {}}
    results = {**recorded["results"], kind: result}
    content = {"seed": seed, "truth kJ/mol": ENERGY, "results": results}
    EXPECTED.write_text(json.dumps(content, indent=2) + "\n")


if __name__ == "__main__":
    main()
