"""The plan: which tile is fired when, at what setting, and what it costs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray
from firelab.craft.trade_words import Shown, count_words
from firelab.craft.units import format_duration, format_temperature
from firelab.series.declared_parts import ControlTile, KeptSetting
from firelab.series.factors import COLUMN_OF, FACTORS
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED, Provenance

SCHEMA = "firelab/plan/1"

PLAN_DTYPES: dict[str, str] = {
    "tile": "str",
    "session": "int64",
    "load": "int64",
    "order": "int64",
    "temperature_degC": "float64",
    "dwell_s": "float64",
    "mesh": "int64",
    "grain_um": "float64",
    "layers": "int64",
    "base": "str",
    "role": "str",
}
"""Columns of ``plan.csv`` in order, with their dtypes.

One row per tile and test firing; `order` counts the firings of the whole plan
from 1; `load` counts through all sessions; `temperature_degC` is one number
per load, to 0.01 degC.
"""

ROLES = ("test", "repeat", "control")
CARRIED = "carried"
"""Kind of a plan whose tiles were chosen beside what other studios found."""

SEQUENTIAL = "sequential"
"""The kind of plan that fixes no tiles beforehand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPreparation:
    """One preparation firing, shared by the tiles that need it.

    Attributes
    ----------
    step : int
        Place in the order of preparation, from 1.
    purpose : str
        ``counter-enamel``, ``base coat`` or ``test coat``.
    coat : str
        What is sifted, such as ``counter-enamel`` or the name of the base.
    face : {'front', 'back'}
        Face that receives it.
    temperature_degC, dwell_s : float
        Of this firing.
    tiles : tuple of str
        Codes of the tiles.
    """

    step: int
    purpose: str
    coat: str
    face: str
    temperature_degC: float
    dwell_s: float
    tiles: tuple[str, ...]

    def n_loads(self, places: int) -> int:
        """Return how many loads of the kiln its tiles take, with so many to a load."""
        return math.ceil(len(self.tiles) / places)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Plan(Shown):
    """A planned series.

    Attributes
    ----------
    tiles : DataFrame
        Columns and dtypes of `PLAN_DTYPES`; use `table` for a copy.
    kind : str
        Name of the plan kind.
    preparation : tuple of PlannedPreparation
        In firing order.
    figures : mapping
        Design figures: efficiencies, aliases, balance, power.
    powder_g : mapping of str to float
        Grams to weigh out by mesh, base and counter-enamel, loss included.
    time_h : mapping of str to float
        Hours by purpose, and ``total``.
    notes : tuple of str
        What the plan says in words: restrictions, what they cost, shortfalls.
    provenance : Provenance
        Hash of series.toml, seed, versions.
    reads : {'degF', 'degC'}
        Unit of the kiln's display.
    places : int
        Most tiles in a load, of preparation too.
    """

    tiles: pd.DataFrame
    kind: str
    preparation: tuple[PlannedPreparation, ...]
    figures: Mapping[str, Any]
    powder_g: Mapping[str, float]
    time_h: Mapping[str, float]
    notes: tuple[str, ...]
    provenance: Provenance
    reads: str = "degF"
    places: int = 1

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the tiles, in firing order."""
        return self.tiles.copy()

    @property
    def is_sequential(self) -> bool:
        """Whether tiles are chosen one firing at a time, from what was seen."""
        return self.kind == SEQUENTIAL

    @property
    def n_tiles(self) -> int:
        """Number of different tiles."""
        return int(self.tiles["tile"].nunique())

    def to_dict(self, *, invented: bool = False) -> dict[str, Any]:
        """Return the content of ``plan.json``, marked where the data are invented."""
        return {
            "schema": SCHEMA,
            **({"invented": INVENTED} if invented else {}),
            "kind": self.kind,
            "seed": self.provenance.seed,
            "n_tiles": self.n_tiles,
            "n_loads": int(self.tiles["load"].nunique()),
            "n_sessions": int(self.tiles["session"].nunique()),
            "figures": self.figures,
            "preparation": [
                {**asdict(step), "tiles": list(step.tiles)} for step in self.preparation
            ],
            "powder_g": dict(self.powder_g),
            "time_h": dict(self.time_h),
            "notes": list(self.notes),
            "provenance": self.provenance.to_dict(),
        }

    def summary(self, *, details: bool = False) -> str:
        """Return what the plan fires and what it costs, about a dozen lines.

        Parameters
        ----------
        details : bool, default False
            The figures of the design too, for who checks: errors of prediction,
            power, aliases, and how far order and temperature go together.
        """
        tiles = self.tiles
        if not len(tiles):
            return "\n".join([f"{self.kind} plan: no tile yet", *self._noted(details)])
        most = int(tiles.groupby("load").size().max())
        n_loads, n_sessions = tiles["load"].nunique(), tiles["session"].nunique()
        lines = [
            f"{self.kind} plan, seed {self.provenance.seed}",
            f"{count_words(self.n_tiles, 'tile')}, {count_words(len(tiles), 'firing')} in "
            f"{count_words(n_loads, 'load')} of at most {most}, "
            f"{count_words(n_sessions, 'session')}",
        ]
        for degC, rows in tiles.groupby("temperature_degC", sort=True):
            shortest, longest = rows["dwell_s"].min(), rows["dwell_s"].max()
            dwells = format_duration(shortest)
            if longest > shortest:
                dwells += f" to {format_duration(longest)}"
            loads = rows["load"].nunique()
            at = format_temperature(float(str(degC)), self.reads)
            lines.append(
                f"  {at:>18}: {len(rows):2d} in "
                f"{loads} load{'s' if loads != 1 else ''}, {dwells}"
            )
        powder = ", ".join(f"{name} {grams:.1f} g" for name, grams in self.powder_g.items())
        lines.append(f"powder, loss included: {powder}")
        lines.append(
            f"to prepare the tiles: {self._preparation_words()}; "
            f"kiln time in all {self.time_h['total']:.1f} h"
        )
        if details:
            lines += [*_teaching_lines(self), *_alias_lines(self)]
        return "\n".join([*lines, *self._noted(details)])

    def _preparation_words(self) -> str:
        loads = sum(step.n_loads(self.places) for step in self.preparation)
        firings = count_words(len(self.preparation), "firing")
        return f"{firings}, in {count_words(loads, 'load')}" if loads else "no firing"

    def _noted(self, details: bool) -> list[str]:
        kept = [note for note in self.notes if details or not note.startswith(_OF_DESIGN)]
        return [f"- {note}" for note in kept]


def rack_places(plan: Plan) -> dict[tuple[str, int], int]:
    """Return the place of the rack at which each tile stands in each load, from 1.

    The places of a load are filled in firing order, as its sheet shows them. Where tiles
    are chosen one firing at a time, a load goes on at the place after the last one.
    """
    ordered = plan.tiles.sort_values("order", kind="stable")
    loads = ordered["load"].astype(int).tolist()
    stood = Counter[int]()
    places = list(places_in_turn(plan, 0, len(ordered)))
    if not places:
        for load in loads:
            stood[load] += 1
            places.append(stood[load])
    keys = zip(ordered["tile"].astype(str).tolist(), loads, strict=True)
    return dict(zip(keys, places, strict=True))


def places_in_turn(plan: Plan, first: int, count: int) -> tuple[int, ...]:
    """Return the places of the rack of so many tiles, where tiles take turns at them.

    Parameters
    ----------
    plan : Plan
        Only one of one tile at a time has turns; any other gives none.
    first : int
        How many tiles come before.
    count : int

    Returns
    -------
    tuple of int
        Counted from 1.
    """
    turns = plan.figures.get("rack_places") if plan.is_sequential else None
    return tuple((first + k) % int(turns) + 1 for k in range(count)) if turns else ()


_OF_DESIGN = ("Order: loads at random", "Chosen by ", "Searches: ")
"""Beginnings of notes that speak of the design, not of what to do."""


def _teaching_lines(plan: Plan) -> list[str]:
    """Say how well the plan predicts, and which term it would show least."""
    figures = plan.figures
    if not figures.get("estimable"):
        return []
    variance = figures["prediction_variance"]
    mean, worst = variance["mean"] ** 0.5, variance["largest"] ** 0.5
    lines = [
        f"error of a prediction, in standard deviations of tiles within a load: "
        f"{mean:.2f} on average, {worst:.2f} at worst"
    ]
    powers = {name: one["power"] for name, one in figures["power"].items()}
    told = {name: power for name, power in powers.items() if power is not None}
    if told:
        weakest = min(told, key=lambda name: told[name])
        lines.append(
            f"a shift of {figures['shift_sd']:g} sd shows least in {weakest}, "
            f"{100 * told[weakest]:.0f} times in 100"
        )
    silent = [name for name, power in powers.items() if power is None]
    if silent:
        lines.append(f"too few tiles to judge the scatter for {', '.join(silent)}")
    return lines


def _alias_lines(plan: Plan) -> list[str]:
    """List the effects of a fraction that cannot be told from one another."""
    fraction = plan.figures.get("fraction")
    if not fraction:
        return []
    told, chains = set(), []
    for effect, others in fraction["aliases"].items():
        if others and effect not in told:
            told |= {effect, *others}
            chains.append(" = ".join([effect, *others]))
    head = f"fraction: resolution {fraction['resolution'] or 'full'}, "
    if fraction["generators"]:
        head += f"{', '.join(fraction['generators'])}; "
    if not chains:
        return [head + "no effect of one or two factors hides another"]
    return [head + "not to be told apart: " + "; ".join(chains)]


SETTING_COLUMNS: tuple[str, ...] = tuple(COLUMN_OF[name] for name in FACTORS)
"""``temperature_degC, dwell_s, mesh, layers, base``."""

SETTING_DTYPES = {
    "temperature_degC": "float64",
    "dwell_s": "float64",
    "mesh": "int64",
    "layers": "int64",
    "base": "str",
}


def as_settings(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the setting columns of a frame with their dtypes, rows renumbered."""
    kept = frame[list(SETTING_COLUMNS)]
    # To cast what needs none takes longer than everything else here.
    other = {name: to for name, to in SETTING_DTYPES.items() if kept[name].dtype != to}
    return (kept.astype(other) if other else kept).reset_index(drop=True)


def stated_settings(stated: Iterable[KeptSetting | ControlTile]) -> pd.DataFrame:
    """Return the settings that series.toml names one by one, in their order."""
    rows = [[getattr(one, name) for name in FACTORS] for one in stated]
    return as_settings(pd.DataFrame(rows, columns=list(SETTING_COLUMNS)))


def is_allowed(series: FiringSeries, settings: pd.DataFrame) -> BoolArray:
    """Tell which rows no rule of the series forbids, shape (n,)."""
    allowed = np.ones(len(settings), dtype=bool)
    for rule in series.rules:
        allowed &= ~rule.forbids(settings)
    return allowed
