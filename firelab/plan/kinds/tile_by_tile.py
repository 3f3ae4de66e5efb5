"""Plans that look at a tile before its next firing: the ladder, and one tile at a time.

A ladder's tile is pulled and looked at several times, fired on. A sequential plan has no
tile beforehand: each firing is chosen from what was seen so far.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind, with_levels
from firelab.plan.kinds.kind import PlanKind, Proposal, other_mixes
from firelab.plan.plan import (
    PLAN_DTYPES,
    SEQUENTIAL,
    SETTING_COLUMNS,
    Plan,
    as_settings,
    is_allowed,
)
from firelab.plan.stock import budget_figures
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.kiln_settings import settable_dwell, settable_temperature

_LADDER_NAME = "ladder"
DEFAULT_TEMPERATURES = 5
"""Of a range without a size (chosen here, no source)."""
_FEWEST_LOOKS = 2
_NEAR = 1e-6
"""Share of a step that rounding may cost a dwell."""


def look_times(series: FiringSeries) -> list[float]:
    """Return the total dwell at each look, s, shortest first.

    The stated levels; of a range, as many as ``plan.looks``, evenly in ln s.
    """
    if not series.factors.is_range("dwell"):
        return sorted(float(level) for level in series.factors.levels("dwell"))
    low, high = series.span("dwell")
    even = np.geomspace(low, high, series.plan.looks)
    return sorted({settable_dwell(series, dwell) for dwell in even})


def _temperatures(series: FiringSeries, wanted: int | None) -> list[float]:
    if not series.factors.is_range("temperature"):
        levels = sorted(float(level) for level in series.factors.levels("temperature"))
        if wanted is None or wanted >= len(levels):
            return levels
        places = np.rint(np.linspace(0, len(levels) - 1, wanted)).astype(int)
        return [levels[place] for place in places]
    low, high = series.span("temperature")
    even = np.linspace(low, high, wanted or DEFAULT_TEMPERATURES)
    return sorted({settable_temperature(series, degC) for degC in even})


def _rungs(
    series: FiringSeries, mix: pd.DataFrame, degC: float, times: list[float]
) -> pd.DataFrame:
    """Return the firings of one tile; each warms it up and adds to its time at heat.

    A firing's dwell is timed in whole steps of the clock, so a look comes at its
    total dwell or up to a step before it.
    """
    step, warm_up = series.kiln.dwell_step, series.blank.warm_up_s(degC)
    dwells, totals = [times[0]], [times[0]]
    for wanted in times[1:]:
        timed = (wanted - totals[-1] + warm_up) / step
        dwells.append(step * math.floor(timed + _NEAR))
        totals.append(totals[-1] + max(dwells[-1] - warm_up, 0.0))
    rows = pd.concat([mix] * len(times), ignore_index=True)
    return rows.assign(temperature_degC=degC, dwell_s=dwells, total_s=totals)


def _allowed_rungs(
    series: FiringSeries, mix: pd.DataFrame, degC: float, times: list[float]
) -> pd.DataFrame:
    """Return the rungs from the first look that the rules allow to the next they forbid.

    A rule speaks of the dwell that the tile has had in all.
    """
    for first in range(len(times)):
        rungs = _rungs(series, mix, degC, times[first:])
        seen = as_settings(rungs.assign(dwell_s=rungs["total_s"]))
        climbs = np.logical_and.accumulate(is_allowed(series, seen))
        if climbs[0]:
            break
    return rungs[climbs]


def propose_ladder(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return the firings of each tile: one per look, all at one temperature.

    One tile for each temperature and mix of mesh, layers and base. Tiles of a
    temperature climb together, as many as the kiln has places. `n_tiles` sets
    the number of temperatures; `rng` is not used.

    Raises
    ------
    InfeasiblePlan
        If there is only one dwell, or a session cannot hold a whole ladder.
    """
    times = look_times(series)
    if len(times) < _FEWEST_LOOKS:
        raise InfeasiblePlan(
            "a ladder needs two dwells or more",
            [Conflict(path=("factors", "dwell"), says=f"only {times[0]:g} s is stated")],
            "a factorial plan",
            series=of_kind(series, "factorial"),
        )
    _refuse_long_ladders(series, len(times))
    mixes = other_mixes(series, ("temperature", "dwell"))
    n_mixes = max(len(mixes), 1)
    degrees = _temperatures(series, None if n_tiles is None else max(1, n_tiles // n_mixes))
    pieces, ladder = [], 0
    places = series.budget.places
    for step, degC in enumerate(degrees):
        for place in range(n_mixes):
            rungs = _allowed_rungs(series, mixes.iloc[[place]], degC, times)
            chunk = step * math.ceil(n_mixes / places) + place // places
            plot = chunk * len(times) + np.arange(len(rungs))
            pieces.append(rungs.assign(ladder=ladder, plot=plot, climb=chunk))
            ladder += 1
    rows = pd.concat(pieces, ignore_index=True)
    warm_up = series.blank.warm_up_s(float(np.mean(degrees)))
    settings = as_settings(rows[list(SETTING_COLUMNS)])
    settings[["ladder", "plot", "climb"]] = rows[["ladder", "plot", "climb"]]
    return Proposal(
        settings=settings,
        notes=(
            "A ladder: each tile cools, is looked at and is fired on. Its looks share "
            "the tile, so they teach less than as many tiles; and each firing warms it "
            f"up anew, so the later ones are {warm_up:.0f} s longer than they count.",
        ),
    )


def _refuse_long_ladders(series: FiringSeries, n_looks: int) -> None:
    holds = series.budget.session_loads
    if holds is not None and n_looks > holds:
        raise InfeasiblePlan(
            "a tile must climb its ladder within a session",
            [
                Conflict(path=("factors", "dwell"), says=f"asks {n_looks} looks"),
                Conflict(path=("budget", "session_loads"), says=f"holds {holds} loads"),
            ],
            f"a ladder of {holds} dwells",
            series=_shorter(series, holds) if holds >= _FEWEST_LOOKS else None,
        )


def _shorter(series: FiringSeries, n_looks: int) -> FiringSeries:
    """Return the series with the first looks of its ladder."""
    if series.factors.is_range("dwell"):
        return of_kind(series, _LADDER_NAME, looks=n_looks)
    return with_levels(series, "dwell", look_times(series)[:n_looks])


LADDER = PlanKind(
    name=_LADDER_NAME,
    description="one tile, several looks: pulled, graded and fired on",
    propose=propose_ladder,
    sized=True,
)


_SEQUENTIAL_NOTES = (
    "firelab next says each firing: the first from what is usual for such a jar, each "
    "further one from the looks so far.",
    "The tiles take turns at the places of the rack, since places differ.",
)


def propose_nothing(
    series: FiringSeries, *, n_tiles: int | None, rng: np.random.Generator
) -> Proposal:
    """Return a proposal without a setting; neither `n_tiles` nor `rng` is used."""
    nothing = pd.DataFrame(columns=list(SETTING_COLUMNS))
    return Proposal(settings=as_settings(nothing), notes=_SEQUENTIAL_NOTES)


SEQUENTIAL_KIND = PlanKind(
    name=SEQUENTIAL,
    description="one tile at a time: none beforehand, each firing from the looks so far",
    propose=propose_nothing,
    fixes_tiles=False,
)


def sequential_plan(series: FiringSeries, provenance: Provenance) -> Plan:
    """Return the plan of a series whose tiles are chosen one firing at a time.

    Parameters
    ----------
    series : FiringSeries
        Its kiln has the places that tiles take turns at.
    provenance : Provenance

    Returns
    -------
    Plan
        Without a tile; ``extend_plan`` adds what is chosen.
    """
    nothing = pd.DataFrame(columns=list(PLAN_DTYPES)).astype(PLAN_DTYPES)
    time_h = {"total": 0.0}
    return Plan(
        tiles=nothing,
        kind=SEQUENTIAL,
        preparation=(),
        figures={
            "rack_places": series.budget.places,
            "budget": budget_figures(series, nothing, time_h),
        },
        powder_g={},
        time_h=time_h,
        notes=_SEQUENTIAL_NOTES,
        provenance=provenance,
        reads=series.kiln.reads,
        places=series.budget.places,
    )
