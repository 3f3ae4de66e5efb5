"""Count how often a bad studio is found in a pool, and a sound one accused.

Each trial invents six studios of one colour whose kilns are off by -30 to +30 degC
(uniform) and whose jars and hands are worth a few degC more. In all but the sound
pools one of them has a fault. The check never sees which.

    nice -n 10 python analyses/bad_studio/study.py --trials 300
"""

from __future__ import annotations

import argparse
import json
import sys
import warnings
from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1] / "studios"))

from simulated_studios import SimulatedStudios, plan_anew

from firelab.errors import FirelabError
from firelab.series.folder import json_text, versions
from firelab.series.series_file import design_path, read_series
from firelab.studios.pooling.shared_looks import share_looks
from firelab.studios.pooling.studio_check import check_studios
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

EXPECTED = Path(__file__).parent / "expected" / "bad_studio.json"
N_STUDIOS = 6
EFFECTS = {"temperature": 8.0, "dwell": 2.4}
DRIFT_DEGC = 30.0
N_PLANS = 24
STREAM = 1811
"""Seeds of the recorded run; the check was set up on other streams."""


def wrong_unit(looks, rng):
    """Write half of the sessions (at least one) in degF where degC is meant."""
    sessions = looks["session"].unique()
    wrong = sessions[: max(1, len(sessions) // 2)]
    hot = looks["session"].isin(wrong)
    degF = looks["temperature_degC"] * 1.8 + 32
    return looks.assign(temperature_degC=looks["temperature_degC"].mask(hot, degF))


def drift(looks, rng):
    """Let the reading run away by 30 degC from the first load to the last."""
    load = looks["load"].rank(method="dense")
    run = (load - load.min()) / (load.max() - load.min()) - 0.5
    return looks.assign(temperature_degC=looks["temperature_degC"] + DRIFT_DEGC * run)


def shuffled(looks, rng):
    """Hang the labels of the tiles at random."""
    return looks.assign(stage=looks["stage"].array[rng.permutation(len(looks))])


def one_step_high(looks, rng):
    """Grade every tile one step too high."""
    grades = looks["stage"].cat
    codes = np.minimum(grades.codes + 1, len(grades.categories) - 1)
    stage = pd.Categorical.from_codes(codes, dtype=looks["stage"].dtype)
    return looks.assign(stage=stage)


FAULTS = {
    "sound": None,
    "wrong unit in half the sessions": wrong_unit,
    "drift of 30 degC": drift,
    "shuffled labels": shuffled,
    "grader one step high": one_step_high,
}


@cache
def plans():
    """Return the series, and the plans that studios draw theirs from."""
    series = read_series(design_path("opaque-window"))
    return series, tuple(plan_anew(series, seed) for seed in range(N_PLANS))


def invented_parts(rng, *, controls):
    """Return six studios' records."""
    series, made = plans()
    colour = SimulatedKiln(series=series, thresholds=(-5.0, -2.0, 4.0), effects=EFFECTS)
    control = replace(colour, thresholds=(-5.0, -2.0, 1.0))
    return SimulatedStudios(
        kiln=colour,
        offset_degC=rng.uniform(-30, 30, N_STUDIOS),
        effect_degC=rng.normal(0, 5, N_STUDIOS),
        control=control if controls else None,
        control_degC=(735.0, 750.0, 775.0, 790.0) if controls else (),
        control_dwell_s=135.0,
        plans=made,
    ).fire(rng=rng)


def trial(fault, seed):
    """Return who was accused, of what, and whether one of them is the bad one."""
    rng = np.random.default_rng([seed, STREAM])
    parts = invented_parts(rng, controls=seed % 2 == 0)
    bad = int(rng.integers(N_STUDIOS))
    if FAULTS[fault] is not None:
        name, records = parts[bad]
        parts[bad] = name, replace(records, looks=FAULTS[fault](records.looks, rng))
    guilty = parts[bad][0] if FAULTS[fault] is not None else ""
    try:
        found = check_studios(share_looks(parts), rng=rng)
    except FirelabError as refusal:
        accused, doubted = {refusal.what.partition(",")[0]: "refused by its readings"}, {}
    else:
        accused, doubted = (
            dict(zip(out["studio"], out["statistic"], strict=True))
            for out in (found.standing_out, found.doubtful)
        )
    first = next(iter(accused), "")
    return {
        "accused": accused,
        "found": guilty in accused,
        "found or doubted": guilty in (accused | doubted),
        "first": bool(guilty) and first == guilty,
        "wrongly": [name for name in accused if name != guilty],
        "wrongly doubted": [name for name in accused | doubted if name != guilty],
        "statistic": accused.get(guilty, ""),
    }


def summarise(trials):
    """Return shares in percent with their Monte Carlo errors."""
    n = len(trials)

    def percent(hits):
        share = hits / n
        error = 100 * np.sqrt(share * (1 - share) / n)
        return {"percent": round(100 * share, 1), "standard_error": round(float(error), 1)}

    return {
        "pools": n,
        "found": percent(sum(one["found"] for one in trials)),
        "found or doubted": percent(sum(one["found or doubted"] for one in trials)),
        "named first": percent(sum(one["first"] for one in trials)),
        "a sound studio accused": percent(sum(bool(one["wrongly"]) for one in trials)),
        "a sound studio accused or doubted": percent(
            sum(bool(one["wrongly doubted"]) for one in trials)
        ),
        "by statistic": dict(Counter(one["statistic"] for one in trials if one["found"])),
    }


def main():
    """Run the trials and write what they gave, fault by fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--faults", nargs="*", default=list(FAULTS))
    parser.add_argument("--out", type=Path, default=EXPECTED)
    asked = parser.parse_args()
    asked.out.parent.mkdir(exist_ok=True)
    trials = {fault: [] for fault in asked.faults}
    for seed in range(asked.trials):
        for fault in asked.faults:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                trials[fault].append(trial(fault, seed))
        content = {
            "studios": N_STUDIOS,
            "plans": N_PLANS,
            "faults": {fault: summarise(found) for fault, found in trials.items()},
            "versions": versions(),
        }
        asked.out.write_text(json_text(content), encoding="utf-8")
    print(json.dumps(content["faults"], indent=1))


if __name__ == "__main__":
    main()
