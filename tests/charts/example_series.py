"""Frozen values by hand for any ready design: plan, looks, draws and windows.

The looks are invented by a stated cumulative logit with a seed; the windows are
worked out from draws around it, with plain formulas, so that figures and page
can be tried without fitting.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from firelab.craft.sieves import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.fits.stage_draws import StageDraws
from firelab.plan.plan import PLAN_DTYPES, Plan, PlannedPreparation
from firelab.records.records import FIRING_COLUMNS, Records
from firelab.series.designs import design_path
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, sha256_of, versions
from firelab.series.series_file import read_series
from firelab.series.terms import model_matrix, term_columns
from firelab.windows.window import (
    DwellEdges,
    EdgeInterval,
    Edges,
    FiringWindows,
    ProbabilityMap,
    Recipe,
    SettingWindow,
)

THRESHOLDS = np.array([-5.5, -2.0, 4.6])
EFFECTS = {"temperature": 7.5, "dwell": 2.2, "mesh": 0.8, "layers": -0.7}
LOAD_SD = 0.5


@dataclass(frozen=True, kw_only=True)
class Example:
    series: FiringSeries
    plan: Plan
    records: Records
    draws: StageDraws
    windows: FiringWindows


def build_example(design: str, *, n_draws: int = 150) -> Example:
    path = design_path(design)
    series = replace(read_series(path), invented=True)
    rng = np.random.default_rng(series.seed)
    provenance = Provenance(
        series_hash=sha256_of(path), seed=series.seed, versions=versions(), sources={}
    )
    plan = plan_by_hand(series, provenance, rng)
    columns = term_columns(series, series.varied)
    beta = np.array([EFFECTS.get(name, -0.6) for name in columns])
    records = looks_by_hand(series, plan, beta, provenance, rng)
    thresholds = THRESHOLDS + rng.normal(0, 0.3, (n_draws, 1)) * np.ones(3)
    coefficients = beta + rng.normal(0, 0.35, (n_draws, len(beta)))
    load_sd = np.abs(rng.normal(LOAD_SD, 0.1, n_draws))
    draws = StageDraws(
        thresholds=thresholds,
        coefficients=coefficients,
        load_sd=load_sd,
        tile_sd=np.zeros(n_draws),
        link="logit",
        columns=columns,
    )
    windows = windows_by_hand(series, draws, provenance)
    return Example(
        series=series,
        plan=plan,
        records=records,
        draws=draws,
        windows=windows,
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


def windows_by_hand(
    series: FiringSeries, draws: StageDraws, provenance: Provenance
) -> FiringWindows:
    settings = itertools.product(
        *(series.factors.levels(name) for name in ("mesh", "layers", "base"))
    )
    made = [
        window_by_hand(
            series,
            dict(zip(("mesh", "layers", "base"), setting, strict=True)),
            draws,
        )
        for setting in settings
    ]
    made.sort(key=lambda window: -window.assured_share)
    return FiringWindows(
        windows=tuple(made),
        target=series.responses.stage.target,
        score_target=None,
        probability=series.window.probability,
        confidence=series.window.confidence,
        level=series.window.level,
        priors=("temperature: half-normal, never un-fuses glass",),
        notes=("invented numbers",),
        provenance=provenance,
    )


def window_by_hand(series, setting, draws) -> SettingWindow:
    degC = np.linspace(*series.span("temperature"), 41)
    dwell = np.geomspace(*series.span("dwell"), 21)
    first, last = series.responses.stage.target_span
    below = at_or_below(series, setting, draws, degC, dwell, first - 1)
    upto = at_or_below(series, setting, draws, degC, dwell, last)
    chance = upto - below
    asked = series.window.probability
    assurance = (chance >= asked).mean(axis=0)
    field = ProbabilityMap(
        temperature_degC=degC,
        dwell_s=dwell,
        probability=chance.mean(axis=0),
        assurance=assurance,
    )
    quantiles = (0.5 - series.window.level / 2, 0.5, 0.5 + series.window.level / 2)
    dwells = [float(one) for one in series.factors.levels("dwell")]
    edges = tuple(
        Edges(
            dwell_s=one,
            low_degC=interval(degC, below[:, nearest(dwell, one)], 1 - asked, quantiles),
            high_degC=interval(degC, upto[:, nearest(dwell, one)], asked, quantiles),
        )
        for one in dwells
    )
    assured = assurance >= series.window.confidence
    recipe = recipe_by_hand(field, assured)
    k, m = np.unravel_index(np.argmax(assurance), assurance.shape)
    best = Recipe(
        temperature_degC=float(degC[m]),
        dwell_s=float(dwell[k]),
        tolerance_degC=0.0,
        tolerance_s=0.0,
        probability=float(field.probability[k, m]),
        assurance=float(assurance[k, m]),
    )
    nothing = EdgeInterval(estimate=None, lower=None, upper=None)
    return SettingWindow(
        setting=setting,
        edges=edges,
        dwell_edges=(
            DwellEdges(temperature_degC=float(degC[20]), low_s=nothing, high_s=nothing),
        ),
        recipe=recipe,
        reason=None if recipe else "no temperature and dwell is assured yet",
        reason_code=None if recipe else "not-assured",
        best=recipe or best,
        settle=() if recipe else ("4 tiles at 775 degC (1427 degF), 2 min 30 s",),
        assured_share=float(assured.mean()),
        map=field,
    )


def nearest(grid: np.ndarray, value: float) -> int:
    return int(np.argmin(np.abs(grid - value)))


def at_or_below(series, setting, draws, degC, dwell, place) -> np.ndarray:
    """P(stage <= place) by draw, dwell and degC, mean over the load effect."""
    thresholds, load_sd = draws.thresholds, draws.load_sd
    if place < 0:
        return np.zeros((len(thresholds), len(dwell), len(degC)))
    grid = pd.DataFrame(
        {
            "temperature_degC": np.tile(degC, len(dwell)),
            "dwell_s": np.repeat(dwell, len(degC)),
        }
    ).assign(**setting)
    eta = draws.coefficients @ model_matrix(series, grid, series.varied).T
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    chance = np.zeros_like(eta)
    for node, weight in zip(nodes, weights / weights.sum(), strict=True):
        latent = thresholds[:, [place]] - eta - node * load_sd[:, None]
        chance += weight / (1 + np.exp(-latent))
    return chance.reshape(len(thresholds), len(dwell), len(degC))


def interval(degC, chance, asked, quantiles) -> EdgeInterval:
    """Where a falling curve passes `asked`, by draw; None outside the range."""
    found = []
    for curve in chance:
        if curve[0] < asked:
            found.append(-np.inf)
        elif curve[-1] > asked:
            found.append(np.inf)
        else:
            found.append(np.interp(-asked, -curve, degC))
    ends = np.quantile(found, quantiles, method="nearest")
    lower, estimate, upper = (float(e) if np.isfinite(e) else None for e in ends)
    return EdgeInterval(estimate=estimate, lower=lower, upper=upper)


def recipe_by_hand(field: ProbabilityMap, assured: np.ndarray) -> Recipe | None:
    best, size = None, 0
    for k, m in zip(*np.nonzero(assured), strict=True):
        reach = 0
        while assured_box(assured, k, m, reach + 1):
            reach += 1
        if reach > size:
            best, size = (k, m), reach
    if best is None:
        return None
    k, m = best
    dwell = field.dwell_s
    return Recipe(
        temperature_degC=float(field.temperature_degC[m]),
        dwell_s=float(dwell[k]),
        tolerance_degC=float(size * np.diff(field.temperature_degC)[0]),
        tolerance_s=float(dwell[k] - dwell[k - size]),
        probability=float(field.probability[k, m]),
        assurance=float(
            field.assurance[k - size : k + size + 1, m - size : m + size + 1].min()
        ),
    )


def assured_box(assured: np.ndarray, k: int, m: int, reach: int) -> bool:
    rows, columns = assured.shape
    if min(k, m) < reach or k + reach >= rows or m + reach >= columns:
        return False
    return bool(assured[k - reach : k + reach + 1, m - reach : m + reach + 1].all())
