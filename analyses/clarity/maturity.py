"""How often the best firing found for a transparent is truly best, by two clarity models.

Invented colours are clearest inside full, or only rise; the score follows each tile's
own maturity, its deviation included, which no fit knows.
"""

import argparse
import json
from importlib import resources
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from joblib import Parallel, delayed
from scipy.special import ndtr, ndtri

from firelab.craft.materials import grain_um
from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.ordinal.stage_posterior import fit_posterior
from firelab.records.records import Records
from firelab.series.folder import Provenance
from firelab.series.series_file import parse_series
from firelab.series.terms import model_matrix
from firelab.windows.edges.fired_range import settings_at
from firelab.windows.edges.target_at_setting import targets_of
from firelab.windows.firing_windows import firing_windows

TEXT = resources.files("firelab.cli").joinpath("demo_series.toml").read_text("utf-8")
SERIES = parse_series(TEXT)[0]
SCALE, GRADES = SERIES.responses.transparency, list(SERIES.responses.stage.grades)
TERMS, FULL, PLACES = ("temperature", "dwell", "mesh"), 2, 3
LOAD_SD, SCORE_SDS = 0.5, (0.3, 0.7)
CLOSE = 0.05
"""Probability by which a firing may fall short of the best and still count as best."""
PROVENANCE = Provenance(series_hash="0" * 64, seed=1, versions={}, sources={})


class Colour:
    """An invented colour: how it fuses, and how clear it is."""

    def __init__(self, kind, rng):
        width, middle = rng.uniform(5, 9), rng.normal(1.0, 1.5)
        self.kind = kind
        self.cuts = middle + width * np.array([-0.5, -0.5, 0.5]) - [3.0, 0.0, 0.0]
        spread = np.exp([0.15, 0.2] * rng.normal(size=2))
        self.slopes = np.append([8.0, 2.2] * spread, rng.normal(-0.5, 0.3))
        self.mesh, self.height = rng.normal(1.0, 0.5), rng.normal(7.5, 0.5)
        self.peak, self.fall = rng.uniform(-0.5, 0.5), rng.uniform(2, 5)
        self.rise = rng.uniform(1, 2)

    def score(self, latent, mesh):
        """Return the mean score of tiles of a latent grade."""
        m = (latent - self.cuts[1:].mean()) / (np.ptp(self.cuts[1:]) / 2)
        if self.kind == "clearest inside full":
            return self.height - self.fall * (m - self.peak) ** 2 + self.mesh * mesh
        return 6.0 + self.rise * m + self.mesh * mesh

    def fire(self, n_loads, places, rng):
        """Return the records of a ladder of temperatures."""
        n = n_loads * places
        heats = np.linspace(*SERIES.span("temperature"), 5)
        frame = pd.DataFrame(
            {
                "tile": [f"T{k}" for k in range(n)],
                "look": 1,
                "session": 1,
                "load": np.repeat(np.arange(n_loads), places) + 1,
                "temperature_degC": np.repeat(np.resize(heats, n_loads), places),
                "dwell_s": np.resize(SERIES.factors.levels("dwell"), n),
                "mesh": rng.permutation(np.resize(SERIES.factors.mesh.levels, n)),
                "layers": 1,
                "base": "hard clear",
                "role": "test",
                "observer": "",
            }
        )
        frame["dwell_s"] = rng.permutation(frame["dwell_s"])
        frame["grain_um"] = [grain_um(int(mesh)) for mesh in frame["mesh"]]
        X, load = model_matrix(SERIES, frame, TERMS), frame["load"].to_numpy() - 1
        latent = X @ self.slopes + LOAD_SD * rng.normal(size=n_loads)[load]
        latent += rng.logistic(size=n)
        grade = np.searchsorted(self.cuts, latent)
        seen = self.score(latent, X[:, 2]) + SCORE_SDS[1] * rng.normal(size=n)
        seen += SCORE_SDS[0] * rng.normal(size=n_loads)[load]
        seen = np.clip(np.round(seen), SCALE.low, SCALE.high)
        stage = pd.Categorical([GRADES[g] for g in grade], categories=GRADES, ordered=True)
        looks = frame.assign(
            stage=stage,
            transparency=np.where(grade == FULL, seen, np.nan),
            total_dwell_s=frame["dwell_s"],
        )
        return Records(series=SERIES, plan=None, looks=looks, provenance=PROVENANCE)

    def chance(self, settings):
        """Return the true probability of full and clear in a future load."""
        share = (np.arange(300) + 0.5) / 300
        own = np.log(share / (1 - share))
        own = own + LOAD_SD * np.random.default_rng(0).permutation(ndtri(share))
        X = model_matrix(SERIES, settings, TERMS)
        latent = (X @ self.slopes)[:, None] + own
        full = (latent > self.cuts[1]) & (latent <= self.cuts[2])
        mean = self.score(latent, X[:, 2:])
        clear = ndtr((mean - SCALE.target + SCALE.step / 2) / np.hypot(*SCORE_SDS))
        return (clear * full).mean(axis=1)


def answer(stage, clarity):
    """Return the fired settings and the probability that a fit gives each."""
    frames, chances = [], []
    for target in targets_of(stage, clarity=clarity):
        firings = target.fired.grid(4, 4)
        frames.append(settings_at(target.setting, *firings))
        chances.append(target.probability(*firings).mean(axis=0))
    return pd.concat(frames, ignore_index=True), np.concatenate(chances)


def compare(kind, seed, n_loads, places):
    """Fit one colour both ways; return what each found."""
    rng = np.random.default_rng([seed, len(kind)])
    colour = Colour(kind, rng)
    records = colour.fire(n_loads, places, rng)
    stage = fit_posterior(records, TERMS, rng=np.random.default_rng(1))
    rows = {}
    for name, known in (("temperature and dwell", None), ("maturity", stage)):
        generator = np.random.default_rng(2)
        clarity = fit_clarity(records, TERMS, stage=known, rng=generator)
        settings, found = answer(stage, clarity)
        truth = colour.chance(settings)
        windows = firing_windows(stage, clarity).windows
        reasons = [window.reason_code for window in windows if window.recipe is None]
        rows[name] = {
            "short_of_best": float(truth.max() - truth[found.argmax()]),
            "error": float(abs(found.max() - truth[found.argmax()])),
            "recipes": len(windows) - len(reasons),
            "runs_out": reasons.count("edge-outside-range"),
            "settings": len(windows),
        }
    return rows


def main():
    """Run the study, and record it where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--colours", type=int, default=40)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    results = {}
    for n_loads, kind in product((10, 20), ("clearest inside full", "only rises")):
        runs = Parallel(n_jobs=asked.jobs, backend="multiprocessing")(
            delayed(compare)(kind, k, n_loads, PLACES) for k in range(asked.colours)
        )
        for name in runs[0]:
            rows = pd.DataFrame([run[name] for run in runs])
            results[f"{n_loads * PLACES} tiles, {kind}, by {name}"] = {
                "truly best": round(float((rows["short_of_best"] <= CLOSE).mean()), 3),
                "mean shortfall": round(float(rows["short_of_best"].mean()), 4),
                "mean error of its probability": round(float(rows["error"].mean()), 4),
                "recipes": int(rows["recipes"].sum()),
                "told to run out of what was fired": int(rows["runs_out"].sum()),
                "settings": int(rows["settings"].sum()),
            }
            print(name, results[f"{n_loads * PLACES} tiles, {kind}, by {name}"], flush=True)
    text = json.dumps({"colours": asked.colours, "results": results}, indent=2)
    if asked.write:
        path = Path(__file__).parent / "expected" / "maturity.json"
        path.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
