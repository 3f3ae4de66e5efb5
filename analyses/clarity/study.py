"""How often intervals of clarity effects hold the truth, three ways.

    python analyses/clarity/study.py --series 300 --seed 20250402 [--jobs 2] [--write]

Invented whole-step scores 0 to 10; temperature changes between loads, dwell and mesh
within them. Compared: the posterior, REML with Kenward-Roger degrees of freedom, and
statsmodels' MixedLM with its normal intervals.
"""

import argparse
import json
import warnings
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed
from scipy.special import ndtr, ndtri, stdtrit

from firelab.errors import FirelabError
from firelab.fits.clarity.posterior import clarity_priors, draw_clarity, score_sums
from firelab.fits.clarity.regression import ScoreColumns
from firelab.fits.mixed.degrees import coefficient_table
from firelab.fits.mixed.regression import fit_mixed
from firelab.series.declared_parts import PriorSpecification
from firelab.series.responses import TransparencyResponse

EXPECTED = Path(__file__).parent / "expected" / "results.json"
COLUMNS = ("temperature", "dwell", "mesh")
TRUTH = np.array([5.5, 1.0, 0.4, -1.0])
TILE_SD = 0.8
SETTING = np.array([0.5, 0.0, -1.0])
TARGET = 7.0
SHAPES = ((3, 3), (6, 4), (10, 6))
LOAD_SDS = (0.0, 0.4, 0.8)
SCALE = TransparencyResponse()
PRIORS = clarity_priors(SCALE, PriorSpecification(), COLUMNS)


def invented(n_loads, places, load_sd, rng):
    load = np.repeat(np.arange(n_loads), places)
    X = np.column_stack(
        [np.linspace(-1, 1, n_loads)[load], *rng.choice([-1.0, 1.0], (2, load.size))]
    )
    mean = np.column_stack([np.ones(load.size), X]) @ TRUTH
    score = mean + load_sd * rng.normal(size=n_loads)[load]
    score = np.round(score + TILE_SD * rng.normal(size=load.size))
    return ScoreColumns(score=score, X=X, load=load, columns=COLUMNS, owners=COLUMNS)


def by_posterior(scores, rng, load_sd):
    draws = draw_clarity(score_sums(scores, PRIORS), PRIORS, n_draws=1000, rng=rng).draws
    low, high = np.quantile(draws.coefficients, [0.05, 0.95], axis=0)
    clear = draws.probability_clear([SETTING], TARGET, 1, SCALE.step / 2)[:, 0]
    exact = ndtr(
        (TRUTH[0] + SETTING @ TRUTH[1:] - TARGET + SCALE.step / 2)
        / np.hypot(load_sd, TILE_SD)
    )
    least, most = np.quantile(clear, [0.05, 0.95])
    return low, high, bool(least <= exact <= most)


def by_reml(scores):
    try:
        X = np.column_stack([np.ones(len(scores.score)), scores.X])
        table = coefficient_table(fit_mixed(scores.score, X, [scores.load]), ["", *COLUMNS])
    except FirelabError:
        return None
    reach = stdtrit(table["df"], 0.95) * table["standard_error"]
    low, high = table["estimate"] - reach, table["estimate"] + reach
    return low.to_numpy()[1:], high.to_numpy()[1:]


def by_statsmodels(scores):
    import statsmodels.api as sm

    X = np.column_stack([np.ones(len(scores.score)), scores.X])
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fit = sm.MixedLM(scores.score, X, groups=scores.load).fit()
            estimate, error = np.asarray(fit.fe_params), np.asarray(fit.bse_fe)
    except (np.linalg.LinAlgError, ValueError):
        return None
    if not np.isfinite(error).all():
        return None
    reach = ndtri(0.95) * error
    return (estimate - reach)[1:], (estimate + reach)[1:]


def one_series(n_loads, places, load_sd, seed):
    rng = np.random.default_rng(seed)
    scores = invented(n_loads, places, load_sd, rng)
    low, high, clear = by_posterior(scores, rng, load_sd)
    found = {
        "posterior": (low, high),
        "reml": by_reml(scores),
        "mixedlm": by_statsmodels(scores),
    }
    return found, clear


def summarised(rows):
    out = {
        "posterior, probability of clear": round(float(np.mean([c for _, c in rows])), 3)
    }
    for way in ("posterior", "reml", "mixedlm"):
        told = [found[way] for found, _ in rows if found[way] is not None]
        held = np.mean([(a <= TRUTH[1:]) & (TRUTH[1:] <= b) for a, b in told], axis=0)
        width = np.median([b - a for a, b in told], axis=0)
        out[way] = {
            "held": dict(zip(COLUMNS, held.round(3).tolist(), strict=True)),
            "median width": dict(zip(COLUMNS, width.round(2).tolist(), strict=True)),
            "no answer": round(1 - len(told) / len(rows), 3),
        }
    return out


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--series", type=int, default=300)
    parser.add_argument("--seed", type=int, default=20250402)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    chosen = parser.parse_args()
    results = {}
    for cell, (n_loads, places) in enumerate(SHAPES):
        for place, load_sd in enumerate(LOAD_SDS):
            sequence = np.random.SeedSequence([chosen.seed, cell, place])
            seeds = sequence.generate_state(chosen.series)
            rows = Parallel(n_jobs=chosen.jobs)(
                delayed(one_series)(n_loads, places, load_sd, seed) for seed in seeds
            )
            name = f"{n_loads * places} tiles in {n_loads} loads, load sd {load_sd:g}"
            results[name] = summarised(rows)
            print(name, json.dumps(results[name]), flush=True)
    if chosen.write:
        content = {"seed": chosen.seed, "series": chosen.series, "cells": results}
        EXPECTED.write_text(json.dumps(content, indent=2) + "\n")


if __name__ == "__main__":
    main()
