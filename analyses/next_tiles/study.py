"""How many tiles `firelab next` needs for the edges of a 36-tile factorial.

Run with ``python study.py`` for the whole study (some hours on 2 cores), or
``python study.py --colours 12`` for a short one. Results go to ``expected/``.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
import pandas as pd
from joblib import Parallel, delayed

from firelab.craft.tile_codes import tile_code
from firelab.craft.units import to_degC
from firelab.fits.stage_posterior import fit_posterior
from firelab.fits.stage_posterior_fit import StagePosterior
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.records.records import Records
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Budget, Enamel, FiringSeries, WindowWish
from firelab.series.folder import Provenance
from firelab.windows.edge_doubt import edge_doubt
from firelab.windows.invented_records import invent_records
from firelab.windows.next_tiles import next_tiles
from firelab.windows.simulated_kiln import SimulatedKiln

HERE = Path(__file__).parent
DWELLS_S = (90.0, 120.0, 160.0, 210.0)
LOWEST_DEGF, HIGHEST_DEGF = 1250.0, 1550.0
LOAD_SD = 0.4
MOST_TILES, MOST_LOADS = 24, 9
NEXT_PLACES = 2
NO_PROVENANCE = Provenance(series_hash="", seed=0, versions={}, sources={})

POPULATIONS = {
    "sharp": (8.0, 25.0),
    "blurred": (25.0, 60.0),
}
"""Degrees C over which a grade passes from 20 to 80 % of tiles, lowest and highest."""


def study_series() -> FiringSeries:
    """Declare the series: a range that a studio would search for a new jar."""
    degF = np.linspace(LOWEST_DEGF, HIGHEST_DEGF, 9)
    return FiringSeries(
        name="next tiles study",
        invented=True,
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=tuple(round(to_degC(t), 2) for t in degF)),
            dwell=DwellFactor(levels=DWELLS_S),
        ),
        budget=Budget(places=4),
        window=WindowWish(probability=0.8, confidence=0.8, level=0.9),
    )


SERIES = study_series()


def draw_colour(population: str, *, rng: np.random.Generator) -> SimulatedKiln:
    """Draw an invented colour: both thresholds of full lie inside the range."""
    half = 0.5 * (to_degC(HIGHEST_DEGF) - to_degC(LOWEST_DEGF))
    low_blur, high_blur = POPULATIONS[population]
    blur = float(np.exp(rng.uniform(np.log(low_blur), np.log(high_blur))))
    per_degC = 2.0 * np.log(4.0) / blur
    wide = rng.uniform(1.5 * blur + 15.0, 1.5 * blur + 50.0)
    room = max(half - 0.5 * wide - 15.0, 5.0)
    centre = rng.uniform(-room, room)
    peel = rng.uniform(15.0, 35.0)
    places = np.array(
        [centre - 0.5 * wide - peel, centre - 0.5 * wide, centre + 0.5 * wide]
    )
    doubling = rng.uniform(15.0, 40.0)
    dwell = per_degC * doubling * 0.5 * np.log(DWELLS_S[-1] / DWELLS_S[0]) / np.log(2.0)
    return SimulatedKiln(
        series=SERIES,
        thresholds=tuple(float(t) for t in per_degC * places),
        effects={"temperature": float(per_degC * half), "dwell": float(dwell)},
        load_sd=LOAD_SD,
    )


def loads_of(
    settings: list[tuple[float, list[float]]], first_load: int, first: int
) -> Plan:
    """Return a plan of loads, each a temperature and its dwells."""
    rows = [
        {"load": first_load + k, "temperature_degC": degC, "dwell_s": dwell}
        for k, (degC, dwells) in enumerate(settings)
        for dwell in dwells
    ]
    table = pd.DataFrame(rows).assign(
        tile=[tile_code(first + k) for k in range(len(rows))],
        session=1,
        order=np.arange(first + 1, first + 1 + len(rows)),
        mesh=80,
        grain_um=180.0,
        layers=1,
        base="none",
        role="test",
    )
    return Plan(
        tiles=table[list(PLAN_DTYPES)].astype(PLAN_DTYPES),
        kind="study",
        preparation=(),
        figures={},
        powder_g={},
        time_h={"total": 0.0},
        notes=(),
        provenance=NO_PROVENANCE,
    )


def factorial(n_loads: int) -> Plan:
    """Return the factorial of evenly spread temperatures by all dwells."""
    low, high = SERIES.span("temperature")
    spread = (
        np.linspace(low, high, n_loads)
        if n_loads > 3
        else low + (high - low) * (np.arange(1, n_loads + 1) / (n_loads + 1))
    )
    return loads_of([(float(t), list(DWELLS_S)) for t in spread], 1, 0)


def latin(n_loads: int, *, rng: np.random.Generator) -> Plan:
    """Return a Latin hypercube grouped to loads of four: a dwell from each quarter."""
    low, high = SERIES.span("temperature")
    edges = np.linspace(low, high, n_loads + 1)
    ends = np.geomspace(DWELLS_S[0], DWELLS_S[-1], 4 * n_loads + 1)
    ranks = np.stack([rng.permutation(n_loads) + n_loads * q for q in range(4)])
    loads = [
        (
            float(rng.uniform(edges[k], edges[k + 1])),
            [float(rng.uniform(ends[r], ends[r + 1])) for r in ranks[:, k]],
        )
        for k in range(n_loads)
    ]
    return loads_of(loads, 1, 0)


def best_for_middle(n_loads: int) -> Plan:
    """Return the D-optimal loads for a straight-line model: the ends and the middle."""
    low, high = SERIES.span("temperature")
    spread = [(low, 0.5 * (low + high), high)[k % 3] for k in range(n_loads)]
    dwells = [DWELLS_S[0], DWELLS_S[0], DWELLS_S[-1], DWELLS_S[-1]]
    return loads_of([(float(t), dwells) for t in sorted(spread)], 1, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How well the edges are known: mean width, coverage, tiles, loads."""

    kind: str
    tiles: int
    loads: int
    width_degC: float
    covered: float


def judge(kind: str, kiln: SimulatedKiln, fit: StagePosterior, records: Records) -> Look:
    """Return mean width of the 90 % intervals of all edges, and their coverage."""
    doubt = edge_doubt(fit)
    low, high = np.quantile(doubt.draws, [0.05, 0.95], axis=0)
    true = np.array(
        [kiln.true_edges(name.dwell_s)[name.side == "high"] for name in doubt.names]
    )
    looks = records.looks
    return Look(
        kind=kind,
        tiles=len(looks),
        loads=int(looks["load"].nunique()),
        width_degC=float(doubt.widths(0.9).mean()),
        covered=float(((low <= true) & (true <= high)).mean()),
    )


def fit_of(records: Records, seed: int) -> StagePosterior:
    """Fit the posterior with a seed of its own."""
    return fit_posterior(records, rng=np.random.default_rng([seed, 9]), n_draws=1000)


def follow_next(kiln: SimulatedKiln, seed: int, *, rng: np.random.Generator) -> list[Look]:
    """Start with 12 tiles, then fire what `next` chooses, load by load."""
    plan = factorial(3)
    records, looks = invent_records(kiln, plan, rng=rng), []
    while True:
        fit = fit_of(records, seed)
        looks.append(judge("next", kiln, fit, records))
        if looks[-1].tiles + NEXT_PLACES > MOST_TILES or looks[-1].loads >= MOST_LOADS:
            return looks
        chosen = next_tiles(fit, plan, places=NEXT_PLACES).table
        settings = [(float(chosen["temperature_degC"].iloc[0]), list(chosen["dwell_s"]))]
        more = loads_of(settings, looks[-1].loads + 1, looks[-1].tiles)
        fired = invent_records(kiln, more, rng=rng)
        plan = Plan(
            **{
                **{name: getattr(plan, name) for name in Plan.__dataclass_fields__},
                "tiles": pd.concat([plan.tiles, more.tiles], ignore_index=True),
            }
        )
        records = Records(
            series=SERIES,
            plan=plan,
            looks=pd.concat([records.looks, fired.looks], ignore_index=True),
            provenance=NO_PROVENANCE,
        )


def one_colour(population: str, seed: int, *, fixed: bool) -> list[dict[str, object]]:
    """Fire every kind of plan in one invented colour."""
    place = list(POPULATIONS).index(population)
    rng = np.random.default_rng([20261125, place, seed])
    kiln = draw_colour(population, rng=rng)
    plans = {"factorial": [9]} if not fixed else {"factorial": [3, 4, 5, 6, 7, 9]}
    looks = []
    for n_loads in plans["factorial"]:
        records = invent_records(kiln, factorial(n_loads), rng=rng)
        looks.append(judge("factorial", kiln, fit_of(records, seed), records))
    if fixed:
        for n_loads in (3, 5, 7, 9):
            for kind, plan in (
                ("latin hypercube", latin(n_loads, rng=rng)),
                ("optimal (D, straight line)", best_for_middle(n_loads)),
            ):
                records = invent_records(kiln, plan, rng=rng)
                looks.append(judge(kind, kiln, fit_of(records, seed), records))
    looks += follow_next(kiln, seed, rng=rng)
    return [
        {
            "population": population,
            "colour": seed,
            **{n: getattr(look, n) for n in Look.__dataclass_fields__},
        }
        for look in looks
    ]


def summarise(frame: pd.DataFrame) -> pd.DataFrame:
    """Return mean width, its standard error and coverage, by plan and tiles."""
    grouped = frame.groupby(["population", "kind", "tiles", "loads"], sort=True)
    table = grouped.agg(
        colours=("colour", "size"),
        width_degC=("width_degC", "mean"),
        width_error=("width_degC", "sem"),
        median_degC=("width_degC", "median"),
        covered=("covered", "mean"),
    ).reset_index()
    goal = table[(table["kind"] == "factorial") & (table["tiles"] == 36)]
    whole = goal.set_index("population")["width_degC"]
    return table.assign(of_factorial=table["width_degC"] / table["population"].map(whole))


def main() -> None:
    """Run the study and write its table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--colours", type=int, default=300)
    parser.add_argument("--fixed", type=int, default=100, help="colours with every plan")
    parser.add_argument("--populations", default=",".join(POPULATIONS))
    parser.add_argument("--out", default=str(HERE / "expected"))
    asked = parser.parse_args()
    rows: list[dict[str, object]] = []
    for population in asked.populations.split(","):
        jobs = (
            delayed(one_colour)(population, seed, fixed=seed < asked.fixed)
            for seed in range(asked.colours)
        )
        rows += [row for found in Parallel(n_jobs=2)(jobs) for row in found]
    table = summarise(pd.DataFrame(rows))
    out = Path(asked.out)
    out.mkdir(exist_ok=True)
    table.round(3).to_csv(out / "widths.csv", index=False)
    print(table.round(3).to_string(index=False))


if __name__ == "__main__":
    main()
