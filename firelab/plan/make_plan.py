"""From a series to its plan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from firelab.craft.sieves import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.errors import FirelabError
from firelab.plan.budget import budget_figures, budget_needs
from firelab.plan.kiln_time import kiln_hours
from firelab.plan.kinds.kind import Proposal
from firelab.plan.loads import group_into_loads
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.plan.powder import powder_needed
from firelab.plan.preparation import plan_preparation
from firelab.plan.registry import kind_named
from firelab.plan.sessions import fire_in_order
from firelab.plan.settings_frame import SETTING_COLUMNS
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, versions

_RANDOM_STREAMS = 3


def name_tiles(fired: pd.DataFrame, *, first: int = 0) -> pd.DataFrame:
    """Return scheduled settings as rows of ``plan.csv``.

    Tiles are coded in firing order; a setting met again has the role
    ``repeat``; rows of one ladder share their tile.

    Parameters
    ----------
    fired : DataFrame
        Settings with ``session, load, order``; see ``fire_in_order``.
    first : int, default 0
        Running number of the first tile.
    """
    if "ladder" in fired:
        tile_numbers = pd.factorize(fired["ladder"])[0]
    else:
        tile_numbers = np.arange(len(fired))
    again = fired.duplicated(list(SETTING_COLUMNS))
    tiles = fired.assign(
        tile=[tile_code(first + int(number)) for number in tile_numbers],
        grain_um=[grain_um(int(mesh)) for mesh in fired["mesh"]],
        role=np.where(again, "repeat", "test"),
    )
    return tiles[list(PLAN_DTYPES)].astype(PLAN_DTYPES).reset_index(drop=True)


def assemble_plan(
    series: FiringSeries,
    tiles: pd.DataFrame,
    *,
    kind: str,
    proposal: Proposal,
    provenance: Provenance,
    notes: Sequence[str] = (),
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
    notes : sequence of str
        Further notes.
    """
    preparation = plan_preparation(series, tiles)
    time_h = kiln_hours(series, tiles, preparation)
    return Plan(
        tiles=tiles,
        kind=kind,
        preparation=preparation,
        figures={"budget": budget_figures(series, tiles, time_h), **proposal.figures},
        powder_g=powder_needed(series, tiles, preparation),
        time_h=time_h,
        notes=(*proposal.notes, *notes),
        provenance=provenance,
    )


def _refuse_over_budget(series: FiringSeries, plan: Plan) -> None:
    needs = budget_needs(series, plan.tiles, plan.time_h)
    short = [need for need in needs if need.short]
    if short:
        raise FirelabError(
            "the plan does not fit the budget: " + "; ".join(str(need) for need in short),
            "series.toml " + ", ".join(need.key for need in short),
            "raise the budget, or ask for fewer levels, repeats or tiles",
        )


def order_note(series: FiringSeries) -> str:
    """Say how the firing order was chosen and what that costs."""
    if series.plan.order == "low to high":
        return (
            "Loads go from low to high temperature within a session: few changes, but "
            "a drift of the kiln or of the grader's eye cannot be told from temperature."
        )
    return (
        "Loads are fired in random order within each session, tiles at random places "
        "within a load: drift does not favour a temperature, at the cost of more changes."
    )


def plan_series(series: FiringSeries, *, series_hash: str, seed: int | None = None) -> Plan:
    """Return the plan that a series asks for.

    Parameters
    ----------
    series : FiringSeries
        Its ``plan`` names the kind; its budget binds.
    series_hash : str
        SHA-256 of series.toml, kept as provenance.
    seed : int, optional
        In place of the seed of the series. The same seed gives the same plan.

    Returns
    -------
    Plan
        In firing order.

    Raises
    ------
    UsageError
        If the kind is unknown.
    FirelabError
        If the rules forbid everything or the budget does not suffice.

    Examples
    --------
    >>> from firelab.series.designs import design_path
    >>> from firelab.series.series_file import read_series
    >>> plan = plan_series(read_series(design_path("quick-look")), series_hash="0" * 64)
    >>> plan.n_tiles, int(plan.table["load"].max())
    (12, 6)
    """
    kind = kind_named(series.plan.kind)
    used_seed = series.seed if seed is None else seed
    streams = np.random.default_rng(used_seed).spawn(_RANDOM_STREAMS)
    proposal = kind.propose(series, n_tiles=series.plan.tiles, rng=streams[0])
    loads = group_into_loads(
        proposal.settings,
        places=series.budget.places,
        most_loads=series.budget.loads,
        rng=streams[1],
    )
    fired = fire_in_order(series, proposal.settings, loads, streams[2])
    plan = assemble_plan(
        series,
        name_tiles(fired),
        kind=kind.name,
        proposal=proposal,
        provenance=Provenance(
            series_hash=series_hash, seed=used_seed, versions=versions(), sources={}
        ),
        notes=(order_note(series),),
    )
    _refuse_over_budget(series, plan)
    return plan
