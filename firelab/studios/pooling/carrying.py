"""A pooled window in a new studio's folder: what it may use now, and what to fire next."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from firelab.craft.trade_words import count_words
from firelab.errors import RecordsInsufficient
from firelab.plan.extend import plan_chosen_tiles
from firelab.plan.plan import Plan
from firelab.records.firing_log import read_firings
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import FIRINGS_FILE
from firelab.series.series_file import read_series
from firelab.studios.bundle.descriptor import slug
from firelab.studios.pooling.new_studio import NewStudio, after_looks, before_looks
from firelab.studios.pooling.pool_fit import PooledStage, sided_words
from firelab.studios.pooling.shared_looks import SharedLooks, refuse_other_series
from firelab.studios.pooling.tiles_needed import CONTROL, TilesNeeded, tiles_needed
from firelab.windows.firing_windows import firing_windows
from firelab.windows.window import FiringWindows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CarriedWindow:
    """A pooled window in a studio that was not pooled.

    Attributes
    ----------
    folder : str
    studio : NewStudio
        What is believed of it, with the looks that it has.
    windows : FiringWindows
    needed : TilesNeeded
        What further tiles would teach it.
    notes : tuple of str
        What of its looks was left out, and why.
    """

    folder: str
    studio: NewStudio
    windows: FiringWindows
    needed: TilesNeeded
    notes: tuple[str, ...]

    def summary(self) -> str:
        """Return it as lines for a terminal, the answer first."""
        reads = self.studio.pool.shared.series.kiln.reads
        low, middle, high = self.studio.shift_degC
        shift = sided_words(middle, low, high, ("earlier", "later"), reads)
        looks = count_words(self.studio.n_looks, "look")
        return "\n".join(
            [
                f"{self.folder}: {looks}; fuses {shift} than the pooled mean",
                self.windows.summary(),
                *(f"note: {note}" for note in self.notes),
                "",
                "tiles to fire there next:",
                self.needed.summary(),
            ]
        )

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values."""
        low, middle, high = self.studio.shift_degC
        return {
            "controls": self.studio.n_looks,
            "shift_degC": {"estimate": middle, "lower": low, "upper": high},
            "windows": self.windows.to_dict(),
            "needed": self.needed.to_dict(),
            "notes": list(self.notes),
        }


def carry_window(
    fit: PooledStage,
    folder: str | Path,
    *,
    rng: np.random.Generator,
    most: int = 6,
    same_colour: bool = False,
) -> CarriedWindow:
    """Carry the pooled window to a studio's folder, with or without looks.

    Parameters
    ----------
    fit : PooledStage
    folder : str or Path
        Its series, and a log where something was fired.
    rng : numpy.random.Generator
    most : int, default 6
        Further tiles tried.
    same_colour : bool, default False
        Whether a spelling that differs names the same colour.

    Raises
    ------
    FirelabError
        If metal, grades, target or colour differ, or the folder cannot be read.
    RecordsInsufficient
        If its looks are too far from what the pooled studios found.
    """
    series = read_series(folder)
    refuse_other_series(fit.shared, str(folder), series, same_colour=same_colour)
    looks, notes = _looks(Path(folder), series, fit.shared)
    studio = before_looks(fit, rng=rng)
    if len(looks):
        studio = after_looks(studio, looks)
    return CarriedWindow(
        folder=str(folder),
        studio=studio,
        windows=firing_windows(studio.posterior(rng=rng)),
        needed=tiles_needed(studio, rng=rng, most=most),
        notes=notes,
    )


def _looks(
    folder: Path, series: FiringSeries, shared: SharedLooks
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the graded looks that the pool can use, and what was left out."""
    if not (folder / FIRINGS_FILE).is_file():
        return pd.DataFrame(), ()
    try:
        looks = read_firings(folder).counted
    except RecordsInsufficient:
        return pd.DataFrame(), ()
    looks = looks[looks["stage"].notna()]
    is_control = (looks["role"] == "control").to_numpy()
    named = series.plan.control.colour if series.plan.control else shared.control_colour
    if not is_control.any() or slug(named) == slug(shared.control_colour or ""):
        return looks, ()
    return looks[~is_control], (
        f"{is_control.sum()} control looks at {named!r} were left out: the pooled studios "
        + (
            f"share {shared.control_colour!r}"
            if shared.control_colour
            else "share no control colour"
        ),
    )


def plan_carried_tiles(folder: str | Path, carried: CarriedWindow) -> Plan:
    """Return the folder's plan with the tiles to fire next, each in a load of its own.

    Parameters
    ----------
    folder : str or Path
        With a plan, which is kept and numbered on, or without.
    carried : CarriedWindow
        With one tile or more that it wants fired.

    Raises
    ------
    FirelabError
        If the plan cannot be read.
    """
    tiles = carried.needed.wanted
    tiles = tiles.assign(is_control=tiles["kind"] == CONTROL)
    return plan_chosen_tiles(folder, tiles, note=_note(carried))


def _note(carried: CarriedWindow) -> str:
    shared = carried.studio.pool.shared
    note = f"Tiles that tell most beside what {len(shared.studios)} studios found."
    if CONTROL in set(carried.needed.wanted["kind"]):
        note += f" Control tiles are of {shared.control_colour}."
    return note
