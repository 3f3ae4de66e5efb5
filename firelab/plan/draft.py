"""One plan of one kind and size, whether it fits the budget or not.

A control tile of a known colour rides in every session.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from firelab.arrays import IntArray
from firelab.craft.materials import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.plan.bending import flagged_sags
from firelab.plan.design_figures import design_figures
from firelab.plan.feasibility import no_room_for_control
from firelab.plan.infeasible import Conflict, InfeasiblePlan, of_kind, rule_conflicts
from firelab.plan.kinds.kind import PlanKind, Proposal
from firelab.plan.optimal.choose import most_loads
from firelab.plan.plan import PLAN_DTYPES, Plan, stated_settings
from firelab.plan.plan_rows import met_before
from firelab.plan.schedule import (
    fire_in_order,
    group_into_loads,
    kiln_hours,
    order_figures,
    order_note,
)
from firelab.plan.stock import (
    back_coats,
    budget_figures,
    front_coats,
    plan_preparation,
    powder_needed,
)
from firelab.series.factors import same_temperature
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance


def _add_control_tiles(
    series: FiringSeries, fired: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Return scheduled rows with a control tile in each session.

    It takes a free place of a load at its own temperature; where a session has
    none, it gets a load of its own.
    """
    marked = fired.assign(is_control=False)
    if series.plan.control is None:
        return marked
    setting = stated_settings([series.plan.control])
    degC = series.plan.control.temperature
    loads = [rows for _, rows in marked.groupby("load", sort=True)]
    ordered: list[pd.DataFrame] = []
    for session in sorted(set(marked["session"])):
        own = [rows for rows in loads if rows["session"].iloc[0] == session]
        tile = setting.assign(session=session, is_control=True)
        ordered += _with_control(series, own, tile, degC, rng)
    numbered = [rows.assign(load=number) for number, rows in enumerate(ordered, start=1)]
    joined = pd.concat(numbered, ignore_index=True)
    return joined.assign(order=np.arange(1, len(joined) + 1))


def _with_control(
    series: FiringSeries,
    own: list[pd.DataFrame],
    tile: pd.DataFrame,
    degC: float,
    rng: np.random.Generator,
) -> list[pd.DataFrame]:
    """Return the loads of one session with the control tile in one of them."""
    for place, rows in enumerate(own):
        near = same_temperature(float(rows["temperature_degC"].iloc[0]), degC)
        if near and len(rows) < series.budget.places:
            joined = pd.concat([rows, tile], ignore_index=True)
            return [*own[:place], joined, *own[place + 1 :]]
    where = int(rng.integers(len(own) + 1))
    if series.plan.order == "low to high":
        where = sum(float(rows["temperature_degC"].iloc[0]) < degC for rows in own)
    elif "climb" in own[0]:
        where = 0
    return [*own[:where], tile, *own[where:]]


def schedule_with_controls(
    series: FiringSeries,
    settings: pd.DataFrame,
    loads: IntArray,
    *,
    order_rng: np.random.Generator,
    control_rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the settings in firing order, a control tile in each session.

    Where the control tiles overfill a session, a load of each is left to them.

    Parameters
    ----------
    series : FiringSeries
    settings : DataFrame, n rows
        As ``fire_in_order`` takes them.
    loads : ndarray of int, shape (n,)
    order_rng, control_rng : numpy.random.Generator
        Sources of the order, and of the places of the control tiles.

    Raises
    ------
    InfeasiblePlan
        If a session cannot hold its loads and its control tile.
    """
    holds, fullest = series.budget.session_loads, 0
    for spare in (0, 1):
        fired = fire_in_order(series, settings, loads, order_rng, spare=spare)
        fired = _add_control_tiles(series, fired, control_rng)
        fullest = int(fired.groupby("session")["load"].nunique().max())
        if holds is None or fullest <= holds:
            return fired
    raise no_room_for_control(series, fullest)


_RANDOM_STREAMS = 5
"""One each for settings, loads, order, control tiles and codes."""


def repeated(proposal: Proposal, times: int) -> Proposal:
    """Return a proposal fired several times over, repeats in loads of their own."""
    if times == 1:
        return proposal
    copies = []
    for turn in range(times):
        copy = proposal.settings.copy()
        for column in ("plot", "ladder", "climb"):
            if column in copy:
                copy[column] += turn * (int(proposal.settings[column].max()) + 1)
        copies.append(copy)
    return Proposal(
        settings=pd.concat(copies, ignore_index=True),
        figures=proposal.figures,
        notes=proposal.notes,
    )


def name_tiles(
    fired: pd.DataFrame, *, rng: np.random.Generator, first: int = 0
) -> pd.DataFrame:
    """Return scheduled settings as rows of ``plan.csv``.

    New tiles are coded at random, so that a code tells nothing of its setting to who
    grades the tile; a setting met again has the role
    ``repeat``; rows of one ladder share their tile.

    Parameters
    ----------
    fired : DataFrame
        Settings with ``session, load, order``; see ``fire_in_order``. A column
        ``is_control`` marks control tiles, ``ladder`` the rows of one tile; where
        a column ``tile`` holds a code, the row keeps it.
    rng : numpy.random.Generator
        Draws the codes.
    first : int, default 0
        Smallest running number of a new tile.
    """
    control = fired["is_control"] if "is_control" in fired else fired["load"] < 0
    tiles = fired.assign(
        tile=_codes(fired, first, rng),
        grain_um=[grain_um(int(mesh)) for mesh in fired["mesh"]],
        role=np.where(control, "control", "test"),
    )
    met = met_before(tiles[~control])
    tiles.loc[met.index[met], "role"] = "repeat"
    return tiles[list(PLAN_DTYPES)].astype(PLAN_DTYPES).reset_index(drop=True)


def _codes(fired: pd.DataFrame, first: int, rng: np.random.Generator) -> list[str]:
    kept = fired["tile"].fillna("") if "tile" in fired else pd.Series("", fired.index)
    keys = pd.Series(np.arange(len(fired)), index=fired.index).astype("object")
    if "ladder" in fired:
        climbing = fired["ladder"].notna()
        keys[climbing] = "ladder " + fired.loc[climbing, "ladder"].astype("int64").astype(
            "str"
        )
    new, tiles = pd.factorize(keys[kept == ""])
    numbers = iter(first + rng.permutation(len(tiles))[new])
    return [code or tile_code(int(next(numbers))) for code in kept]


def assemble_plan(
    series: FiringSeries,
    tiles: pd.DataFrame,
    *,
    kind: str,
    proposal: Proposal,
    provenance: Provenance,
) -> Plan:
    """Return the plan of given rows: preparation, powder, time and figures added.

    Parameters
    ----------
    series : FiringSeries
        What is planned.
    tiles : DataFrame
        Rows of ``plan.csv``.
    kind : str
        Name of the plan kind.
    proposal : Proposal
        Supplies the kind's own figures and notes.
    provenance : Provenance
        Kept with the plan.
    """
    preparation = plan_preparation(series, tiles)
    time_h = kiln_hours(series, tiles, preparation)
    order = order_figures(series, tiles)
    sags = flagged_sags(series, tiles, front_coats(tiles), back_coats(series, tiles))
    figures = {
        **design_figures(series, tiles),
        **proposal.figures,
        "order": order,
        "bending_sag_mm": sags,
        "budget": budget_figures(series, tiles, time_h),
    }
    return Plan(
        tiles=tiles,
        kind=kind,
        preparation=preparation,
        figures=figures,
        powder_g=powder_needed(series, tiles, preparation),
        time_h=time_h,
        notes=(*proposal.notes, *_standing_notes(series, sags, figures)),
        provenance=provenance,
        reads=series.kiln.reads,
        places=series.budget.places,
    )


def _standing_notes(
    series: FiringSeries, sags: dict[str, float], figures: dict[str, object]
) -> list[str]:
    notes = []
    if not figures["estimable"]:
        lost = ", ".join(str(name) for name in figures["inseparable"])  # type: ignore[attr-defined]
        notes.append(f"This plan cannot tell apart: {lost}.")
    order = figures["order"]
    notes.append(order_note(order))  # type: ignore[arg-type]
    if sags:
        most = max(sags.values())
        glass = series.glass
        notes.append(
            f"Would bend: {', '.join(sags)}, up to {most:g} mm of sag (enamel "
            f"{glass.modulus_GPa:g} GPa, {glass.expansion_per_K:g} per K, cooling "
            f"{glass.cooling_K:g} K; limit {glass.sag_limit:g} mm). Coat the back as the "
            "front."
        )
    return notes


def draft_plan(
    series: FiringSeries,
    kind: PlanKind,
    *,
    n_tiles: int | None,
    provenance: Provenance,
    proposal: Proposal | None = None,
) -> Plan:
    """Return the plan of a kind and size, budget not yet asked.

    Parameters
    ----------
    series : FiringSeries
    kind : PlanKind
    n_tiles : int or None
        Size, where the kind can choose.
    provenance : Provenance
        Its seed makes every random choice.
    proposal : Proposal, optional
        Settings in place of those the kind would propose.

    Raises
    ------
    InfeasiblePlan
        If the kind cannot serve the series.
    """
    streams = np.random.default_rng(provenance.seed).spawn(_RANDOM_STREAMS)
    if proposal is None:
        proposal = repeated(
            kind.propose(series, n_tiles=n_tiles, rng=streams[0]), series.plan.repeats
        )
    if not len(proposal.settings):
        raise InfeasiblePlan(
            f"the rules forbid every setting of a {kind.name} plan",
            [
                Conflict(path=("plan", "kind"), says=f"asks for {kind.name}"),
                *rule_conflicts(series),
            ],
            "a d-optimal plan",
            series=of_kind(series, "d-optimal"),
        )
    loads = group_into_loads(
        proposal.settings,
        places=series.budget.places,
        most_loads=most_loads(series),
        rng=streams[1],
    )
    fired = schedule_with_controls(
        series, proposal.settings, loads, order_rng=streams[2], control_rng=streams[3]
    )
    return assemble_plan(
        series,
        name_tiles(fired, rng=streams[4]),
        kind=kind.name,
        proposal=proposal,
        provenance=provenance,
    )
