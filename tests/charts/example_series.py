"""Values of any ready design: plan and looks by hand, fitted as real ones are.

The looks are invented by a stated cumulative logit with a seed.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.craft.materials import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.fits.clarity.clarity import fit_clarity
from firelab.fits.clarity.fit import ClarityFit
from firelab.fits.ordinal.stage_posterior_fit import StagePosterior
from firelab.fits.stage import fit_stage
from firelab.plan.plan import PLAN_DTYPES, Plan, PlannedPreparation
from firelab.records.records import FIRING_COLUMNS, Records
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, sha256_of, versions
from firelab.series.series_file import design_path, read_series
from firelab.series.terms import model_matrix, term_columns
from firelab.windows.firing_windows import firing_windows
from firelab.windows.window import FiringWindows

THRESHOLDS = np.array([-6.0, -3.0, 5.5])
EFFECTS = {"temperature": 9.0, "dwell": 2.4, "mesh": 0.8, "layers": -0.7}
LOAD_SD = 0.3


@dataclass(frozen=True, kw_only=True)
class Example:
    series: FiringSeries
    plan: Plan
    records: Records
    fit: StagePosterior
    clarity: ClarityFit | None
    windows: FiringWindows


def build_example(design: str) -> Example:
    path = design_path(design)
    series = replace(read_series(path), invented=True)
    rng = np.random.default_rng(series.seed)
    provenance = Provenance(
        series_hash=sha256_of(path), seed=series.seed, versions=versions(), sources={}
    )
    plan = plan_by_hand(series, provenance, rng)
    columns = term_columns(series, series.varied)
    beta = np.array([EFFECTS.get(str(one), -0.6) for one in columns])
    records = looks_by_hand(series, plan, beta, provenance, rng)
    fit = fit_stage(records)
    clarity = fit_clarity(records) if series.responses.transparency else None
    return Example(
        series=series,
        plan=plan,
        records=records,
        fit=fit,
        clarity=clarity,
        windows=firing_windows(fit, clarity),
    )


def plan_by_hand(
    series: FiringSeries, provenance: Provenance, rng: np.random.Generator
) -> Plan:
    factors = series.factors
    levels = [
        np.linspace(*series.span(name), 4)
        if factors.is_range(name)
        else factors.levels(name)
        for name in ("temperature", "dwell")
    ]
    levels += [factors.levels(name) for name in ("mesh", "layers", "base")]
    rows = list(itertools.product(*levels)) * series.plan.repeats
    names = ["temperature_degC", "dwell_s", "mesh", "layers", "base"]
    frame = pd.DataFrame(rows, columns=names)
    frame = frame.sort_values("temperature_degC", kind="stable", ignore_index=True)
    places = series.budget.places
    within = frame.groupby("temperature_degC").cumcount() // places
    frame["load"] = frame.groupby(["temperature_degC", within]).ngroup() + 1
    order = rng.permutation(frame["load"].max()) + 1
    frame["load"] = order[frame["load"].to_numpy() - 1]
    frame = frame.sort_values("load", kind="stable", ignore_index=True)
    frame["session"] = (frame["load"] - 1) // (series.budget.session_loads or 6) + 1
    frame["order"] = np.arange(1, len(frame) + 1)
    frame["tile"] = [tile_code(i) for i in range(len(frame))]
    frame["grain_um"] = [grain_um(int(mesh)) for mesh in frame["mesh"]]
    frame["role"] = "test"
    tiles = frame[list(PLAN_DTYPES)].astype(PLAN_DTYPES)
    return Plan(
        tiles=tiles,
        kind="factorial",
        preparation=(
            PlannedPreparation(
                step=1,
                purpose="counter-enamel",
                coat="counter-enamel",
                face="back",
                temperature_degC=760.0,
                dwell_s=120.0,
                tiles=tuple(tiles["tile"]),
            ),
        ),
        figures={"efficiency": {"D": 0.93, "A": 0.9, "G": 0.88, "I": 4.6}},
        powder_g={"80 mesh": 25.6, "counter-enamel": 38.4},
        time_h={"preparation": 1.5, "test loads": 5.2, "total": 6.7},
        notes=("Loads are fired in random order within each session.",),
        provenance=provenance,
    )


def looks_by_hand(
    series: FiringSeries,
    plan: Plan,
    beta: np.ndarray,
    provenance: Provenance,
    rng: np.random.Generator,
) -> Records:
    frame = plan.table
    eta = model_matrix(series, frame, series.varied) @ beta
    eta += rng.normal(0, LOAD_SD, frame["load"].max())[frame["load"] - 1]
    latent = eta + rng.logistic(size=len(frame))
    grades = series.responses.stage.grades
    place = np.searchsorted(THRESHOLDS, latent)
    frame["stage"] = pd.Categorical.from_codes(place, categories=list(grades), ordered=True)
    wish = series.responses.transparency
    score = np.round(np.clip(4 + eta + rng.normal(0, 1, len(frame)), 0, 10))
    frame["transparency"] = np.where(place >= 2, score, np.nan) if wish else np.nan
    frame["look"] = 1
    frame["observer"] = "A"
    frame["fired_at"] = ""
    frame["defects"] = ""
    frame["note"] = ""
    frame["total_dwell_s"] = frame["dwell_s"]
    kept = [*FIRING_COLUMNS, "mesh", "grain_um", "layers", "base", "role", "total_dwell_s"]
    return Records(series=series, plan=plan, looks=frame[kept], provenance=provenance)
