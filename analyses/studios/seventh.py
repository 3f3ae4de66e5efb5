"""What two tiles teach a seventh studio: of the colour, of a control colour, or chosen.

Six studios are pooled, invented as in ``study.py`` with four control tiles each. A
seventh of the same sort fires two or four tiles that `tiles_needed` chose for it: of the
colour alone, of the control colour alone, or whichever tell most. Ten sevenths share a
pool, so that the errors are those of the pools' means.

    nice -n 10 python analyses/studios/seventh.py --pools 20
"""

from __future__ import annotations

import argparse
import json
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from simulated_studios import SimulatedStudios, plan_anew
from study import (
    CONTROL_DEGC,
    CONTROL_DWELL_S,
    EFFECT_SD_DEGC,
    LARGEST_DEGC,
    invented_kilns,
)

from firelab.errors import FirelabError
from firelab.series.folder import json_text, versions
from firelab.studios.pooling.new_studio import after_looks, before_looks
from firelab.studios.pooling.pool_posterior import pool_studios
from firelab.studios.pooling.tiles_needed import CONTROL, OWN, tiles_needed
from firelab.windows.edges.fired_range import settings_at

EXPECTED = Path(__file__).parent / "expected" / "seventh.json"
N_POOLED, N_SEVENTHS, N_PLANS, MOST = 6, 10, 24, 4
STREAM = 4107
COLOURS = {"full over 21 degC": (-5.0, -2.0, 4.0), "full over 42 degC": (-5.0, -2.0, 10.0)}
"""Thresholds of two colours, pool by pool in turn: the first leaves a recipe no room."""
KINDS = {"of the colour": (OWN,), "control": (CONTROL,), "chosen": (OWN, CONTROL)}


def kilns(seed):
    """Return the truths of the colour and of the control colour of a pool."""
    colour, control = invented_kilns()
    return replace(colour, thresholds=list(COLOURS.values())[seed % 2]), control


def pooled(seed, plans):
    """Return a pool of six studios and the mean of their true shifts, degC."""
    rng = np.random.default_rng([seed, STREAM])
    colour, control = kilns(seed)
    studios = SimulatedStudios(
        kiln=colour,
        offset_degC=rng.uniform(-LARGEST_DEGC, LARGEST_DEGC, N_POOLED),
        effect_degC=rng.normal(0, EFFECT_SD_DEGC, N_POOLED),
        control=control,
        control_degC=CONTROL_DEGC,
        control_dwell_s=CONTROL_DWELL_S,
        plans=plans,
    )
    fit = pool_studios(studios.fire(rng=rng), rng=rng)
    return fit, float((studios.offset_degC + studios.effect_degC).mean()), rng


def fired(tiles, truths, offset, effect, rng):
    """Return the looks at tiles fired in a kiln that is hotter by `offset`."""
    colour, control = truths
    rows = tiles.assign(tile=[f"C{n}" for n in range(len(tiles))], session=1)
    rows = rows.assign(load=range(len(tiles)))
    looks = []
    for kind, kiln, hotter in ((OWN, colour, offset + effect), (CONTROL, control, offset)):
        own = rows[rows["kind"] == kind]
        if len(own):
            hot = own.assign(temperature_degC=own["temperature_degC"] + hotter)
            graded = kiln.simulate(hot, rng=rng)["stage"].to_numpy()
            looks.append(own.assign(stage=graded))
    return pd.concat(looks)


def exists(kiln, dwell_s, shift):
    """Tell whether any temperature of the fired range has the target as often as asked."""
    series = kiln.series
    even = np.linspace(*series.span("temperature"), 81)
    setting = {"mesh": 80, "layers": 1, "base": "none"}
    frame = settings_at(setting, even + shift, np.full(81, dwell_s))
    return bool(kiln.true_probability(frame).max() >= series.window.probability)


def carried(studio, kiln, right, shift, rng):
    """Return what the seventh studio is told, against the truth."""
    low, middle, high = studio.shift_degC
    window = studio.windows(rng=rng).windows[0]
    recipe = window.recipe
    true = None
    if recipe is not None:
        setting = dict(window.setting)
        hot = settings_at(setting, [recipe.temperature_degC + shift], [recipe.dwell_s])
        true = bool(kiln.true_probability(hot)[0] >= kiln.series.window.probability)
    return {
        "covered": bool(low <= right <= high),
        "width": high - low,
        "error": abs(middle - right),
        "recipe": recipe is not None,
        "true": true,
    }


def trial(seed, plans):
    """Return what each kind of tiles taught ten sevenths of one pool."""
    fit, mean, rng = pooled(seed, plans)
    kiln, _ = kilns(seed)
    chosen = {
        name: tiles_needed(fit, rng=rng, most=MOST, kinds=kinds).tiles
        for name, kinds in KINDS.items()
    }
    dwell_s = float(chosen["chosen"]["dwell_s"].iloc[0])
    found = {"chosen kinds": chosen["chosen"]["kind"].tolist(), "sevenths": []}
    for _ in range(N_SEVENTHS):
        offset = float(rng.uniform(-LARGEST_DEGC, LARGEST_DEGC))
        effect = float(rng.normal(0, EFFECT_SD_DEGC))
        shift = offset + effect
        before = before_looks(fit, rng=rng)
        one = {"exists": exists(kiln, dwell_s, shift)}
        one["no tile"] = carried(before, kiln, shift - mean, shift, rng)
        for name, tiles in chosen.items():
            looks = fired(tiles, kilns(seed), offset, effect, rng)
            for count in (2, MOST):
                few = looks[looks["load"] < count]
                try:
                    studio = after_looks(before, few)
                except FirelabError:
                    continue
                one[f"{count} tiles, {name}"] = carried(
                    studio, kiln, shift - mean, shift, rng
                )
        found["sevenths"].append(one)
    return found


def summarise(pools):
    """Return shares in percent with the errors of the pools' means."""

    def share(name, of, among=lambda one: True):
        means = [
            np.mean(values)
            for pool in pools
            if (
                values := [
                    of(one[name]) for one in pool["sevenths"] if name in one and among(one)
                ]
            )
        ]
        error = np.std(means, ddof=1) / np.sqrt(len(means)) if len(means) > 1 else None
        return {
            "percent": round(100 * float(np.mean(means)), 1) if means else None,
            "standard_error": None if error is None else round(100 * float(error), 1),
        }

    every = [one for pool in pools for one in pool["sevenths"]]
    results = {}
    for name in [key for key in every[0] if key != "exists"]:
        told = [one[name] for one in every if name in one]
        given = [one for one in told if one["recipe"]]
        results[name] = {
            "studios": len(told),
            "shift covered": share(name, lambda one: one["covered"]),
            "median_width_degC": round(float(np.median([one["width"] for one in told])), 1),
            "median_error_degC": round(float(np.median([one["error"] for one in told])), 1),
            "recipe where one exists": share(
                name, lambda one: one["recipe"], lambda one: one["exists"]
            ),
            "recipes": len(given),
            "recipes_true": sum(one["true"] for one in given),
        }
    return {
        "pools": len(pools),
        "studios": len(every),
        "one exists": sum(one["exists"] for one in every),
        "of the first two chosen, of the colour": sum(
            pool["chosen kinds"][:2].count(OWN) for pool in pools
        ),
        "results": results,
    }


def main():
    """Run the pools and write what they gave, pool by pool."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pools", type=int, default=20)
    parser.add_argument("--out", type=Path, default=EXPECTED)
    asked = parser.parse_args()
    kiln, _ = invented_kilns()
    plans = tuple(plan_anew(kiln.series, seed) for seed in range(N_PLANS))
    found = []
    for seed in range(asked.pools):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found.append(trial(seed, plans))
        content = {
            "studios": N_POOLED,
            "level_percent": 90,
            "colours": {
                name: summarise(found[place::2])
                for place, name in enumerate(COLOURS)
                if found[place::2]
            },
            "versions": versions(),
        }
        asked.out.write_text(json_text(content), encoding="utf-8")
    print(json.dumps(content["colours"], indent=1))


if __name__ == "__main__":
    main()
