"""What a working kiln gives, written as firelab's records; its series and plans.

Here, in `promises` and in `choosers` firelab is used, to declare, plan, record and answer;
the simulator itself (`tile_heat`, `grade_noise`, `kilns`, `working_kiln`, `hand`) has none
of it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
from hand import TILES_A_SESSION
from kilns import PLACES
from numpy.typing import NDArray
from working_kiln import USUAL_S, WorkingKiln

from firelab import make_plan, read_series
from firelab.craft.units import to_degC
from firelab.plan.make_plan import stated_plan
from firelab.plan.plan import PLAN_DTYPES, SEQUENTIAL, Plan
from firelab.records.firing_log import looks_frame
from firelab.records.records import Records
from firelab.series.factors import DwellFactor, Factors, TemperatureFactor
from firelab.series.firing_series import Budget, Enamel, FiringSeries, WindowSpecification
from firelab.series.series_file import design_path

OBSERVERS = ("AB", "CD")
PLACE = "rack_place"
"""Column of the place of the rack, in plan and looks. Where plans have one, it is obeyed;
else tiles are put down at random and their place is written in the looks all the same,
so that a fit may use it as soon as it can."""
_SETTING = ("mesh", "grain_um", "layers", "base", "role")


@cache
def window_series() -> FiringSeries:
    """Return the ready design of 30 tiles in two sessions, p .8, assurance .8."""
    return read_series(design_path("opaque-window"))


@cache
def window_plan(order: int) -> Plan:
    """Return the ready design's plan in one of its orders, from 0."""
    return make_plan(window_series(), seed=order + 1)


def search_series(*, dwells_s: tuple[float, ...], low: float, high: float) -> FiringSeries:
    """Declare a range to be searched, degF, without a plan: its loads are stated."""
    degC = tuple(round(to_degC(t), 2) for t in np.linspace(low, high, 9))
    return FiringSeries(
        name="working kiln",
        invented=True,
        enamel=Enamel(colour="invented"),
        factors=Factors(
            temperature=TemperatureFactor(levels=degC),
            dwell=DwellFactor(levels=dwells_s),
        ),
        budget=Budget(places=PLACES),
        window=WindowSpecification(probability=0.8, confidence=0.8, level=0.9),
    )


def sequential_series(*, low: float, high: float) -> FiringSeries:
    """Declare a range to be searched one tile at a time at the usual time, degF."""
    series = search_series(dwells_s=(USUAL_S,), low=low, high=high)
    heat = TemperatureFactor(low=round(to_degC(low), 2), high=round(to_degC(high), 2))
    return replace(
        series,
        factors=replace(series.factors, temperature=heat),
        budget=replace(series.budget, session_loads=TILES_A_SESSION),
        plan=replace(series.plan, kind=SEQUENTIAL),
    )


def nothing_yet(series: FiringSeries) -> Records:
    """Return the records of a series that is searched one tile at a time, unfired."""
    plan = make_plan(series)
    looks = looks_frame((), series, plan)
    return Records(series=series, plan=plan, looks=looks, provenance=plan.provenance)


def in_sessions(plan: Plan, loads_a_session: int) -> Plan:
    """Return a stated plan with its loads shared out to sessions."""
    session = (plan.tiles["load"] - 1) // loads_a_session + 1
    return replace(plan, tiles=plan.tiles.assign(session=session.astype("int64")))


def with_load(
    plan: Plan,
    series: FiringSeries,
    degC: float,
    dwells_s: list[float],
    *,
    codes: list[str] | None = None,
) -> Plan:
    """Return a stated plan with one more load, of new tiles and of tiles fired on.

    Parameters
    ----------
    plan : Plan
    series : FiringSeries
    degC : float
    dwells_s : list of float
        Of each place; a tile fired on has its further dwell.
    codes : list of str, optional
        Of each place, empty for a new tile; by default all are new.
    """
    load = int(plan.tiles["load"].max()) + 1 if len(plan.tiles) else 1
    more = stated_plan(
        series, [(degC, dwells_s)], first_load=load, first_tile=plan.n_tiles
    ).tiles
    fresh = iter(more["tile"])
    tiles = [code or next(fresh) for code in codes or [""] * len(more)]
    more = more.assign(tile=tiles, order=len(plan.tiles) + 1 + np.arange(len(more)))
    grown = pd.concat([plan.tiles, more.astype(PLAN_DTYPES)], ignore_index=True)
    return replace(plan, tiles=grown)


def places_of(plan: pd.DataFrame, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return where each tile of a plan lies, 1 to 4, shape (n,)."""
    if PLACE in plan:
        planned = pd.to_numeric(plan[PLACE], errors="coerce")
        if planned.between(1, PLACES).all():
            return planned.to_numpy(dtype=np.int64)
    of_load = plan.groupby("load").cumcount().to_numpy() % PLACES
    orders = {load: rng.permutation(PLACES) + 1 for load in plan["load"].unique()}
    pairs = zip(plan["load"], of_load, strict=True)
    return np.array([orders[load][k] for load, k in pairs], dtype=np.int64)


def fire_plan(
    kiln: WorkingKiln, plan: Plan, *, earlier: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Fire what of a plan is not fired yet; return every look so far.

    Parameters
    ----------
    kiln : WorkingKiln
    plan : Plan
    earlier : DataFrame, optional
        Looks at the first rows of the plan, as this function returned them.
    """
    done = 0 if earlier is None else len(earlier)
    rows = plan.tiles.iloc[done:].reset_index(drop=True)
    n_observers = len(OBSERVERS) if kiln.kiln.observer_sd else 1
    looks = []
    for k, place in enumerate(places_of(rows, kiln.rng)):
        row = rows.iloc[k]
        observer = (done + k) % n_observers
        kiln.fire(
            row["tile"],
            row["temperature_degC"],
            row["dwell_s"],
            session=int(row["session"]),
            load=int(row["load"]),
            place=int(place),
        )
        looks.append(
            {
                **{name: row[name] for name in ("tile", "session", "load")},
                "look": 0,
                "temperature_degC": row["temperature_degC"],
                "dwell_s": row["dwell_s"],
                "stage": kiln.look(row["tile"], observer=observer),
                "observer": OBSERVERS[observer],
                PLACE: place,
                **{name: row[name] for name in _SETTING},
            }
        )
    return pd.concat([earlier, pd.DataFrame(looks)], ignore_index=True)


def as_records(series: FiringSeries, plan: Plan, looks: pd.DataFrame) -> Records:
    """Return the looks as if read from a firing log."""
    grades = list(series.responses.stage.grades)
    by_tile = looks.groupby("tile", sort=False)
    written = looks.assign(
        look=by_tile.cumcount() + 1,
        stage=pd.Categorical(looks["stage"], categories=grades, ordered=True),
        transparency=np.nan,
        fired_at="",
        defects="",
        note="",
        total_dwell_s=by_tile["dwell_s"].cumsum(),
    )
    return Records(series=series, plan=plan, looks=written, provenance=plan.provenance)


def as_fired(
    series: FiringSeries,
    looks: pd.DataFrame,
    *,
    tiles_a_session: int = TILES_A_SESSION,
    kind: str = "stated",
) -> Records:
    """Return single firings, one tile a load, as records of a stated plan.

    Parameters
    ----------
    series : FiringSeries
    looks : DataFrame
        ``temperature_degC, dwell_s, stage, place, observer``, one row per tile.
    tiles_a_session : int, default 4
    kind : str, default 'stated'
        Of the plan.
    """
    firings = zip(looks["temperature_degC"], looks["dwell_s"], strict=True)
    plan = stated_plan(series, [(degC, [dwell]) for degC, dwell in firings])
    plan = replace(in_sessions(plan, tiles_a_session), kind=kind)
    if PLACE in plan.tiles:
        places = looks[PLACE].to_numpy()
        plan = replace(plan, tiles=plan.tiles.assign(**{PLACE: places}))
    joined = pd.concat([plan.tiles.drop(columns=PLACE, errors="ignore"), looks], axis=1)
    joined = joined.loc[:, ~joined.columns.duplicated()]
    return as_records(series, plan, joined.drop(columns="order"))
