"""What happened: every look that stands, joined to what was planned.

Each look knows the heat that its tile had before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from firelab.errors import RecordsInsufficient
from firelab.plan.plan import Plan, rack_places
from firelab.records.trace_file import KilnTrace
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance
from firelab.series.heat_counted import Heat, counted, heat_before


def earlier_firings(looks: pd.DataFrame, series: FiringSeries) -> list[tuple[Heat, ...]]:
    """Return the firings of each look's tile before the look's own.

    Parameters
    ----------
    looks : DataFrame, n rows
        As `Records.looks`; where several people looked, the firing counts once.
    series : FiringSeries
        Its blank is what warms up.

    Returns
    -------
    list of tuple, n of them
        Temperature, degC, and time at heat, s, of each; empty where the look
        follows the tile's first firing.
    """
    firings = looks.drop_duplicates(["tile", "look"]).sort_values(["tile", "look"])
    if not firings["tile"].duplicated().any():
        return [()] * len(looks)
    look_of = zip(firings["tile"], firings["look"], strict=True)
    before = dict(zip(look_of, heat_before(series.blank, firings), strict=True))
    return [before[key] for key in zip(looks["tile"], looks["look"], strict=True)]


def at_one_temperature(graded: pd.DataFrame) -> pd.DataFrame:
    """Return the looks whose tile had all of its heat at the look's temperature."""
    rows = zip(graded["before"], graded["temperature_degC"], strict=True)
    same = [all(earlier == degC for earlier, _ in had) for had, degC in rows]
    return graded[np.array(same, dtype=bool)]


def counted_dwell(
    looks: pd.DataFrame, series: FiringSeries, *, doubling_degC: float | None = None
) -> pd.Series[float]:
    """Return the dwell of each look's tile up to it, as counted at its temperature, s.

    Parameters
    ----------
    looks : DataFrame, n rows
        As `Records.looks`.
    series : FiringSeries
    doubling_degC : float, optional
        Degrees that doubling the dwell is worth; by default as the series expects.
    """
    doubling = series.priors.doubling if doubling_degC is None else doubling_degC
    had = earlier_firings(looks, series)
    if not any(had):
        return looks["dwell_s"].astype("float64")
    rows = zip(had, looks["temperature_degC"], looks["dwell_s"], strict=True)
    found = [
        counted(series.blank, before, float(degC), float(dwell), doubling)
        for before, degC, dwell in rows
    ]
    return pd.Series(found, index=looks.index, dtype="float64")


FIRING_COLUMNS: tuple[str, ...] = (
    "tile",
    "look",
    "session",
    "load",
    "temperature_degC",
    "dwell_s",
    "stage",
    "transparency",
    "observer",
    "fired_at",
    "defects",
    "note",
)
"""Columns of ``firings.csv`` in order: one row per look, append-only."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Records:
    """The looks of one series, ready to be fitted.

    Attributes
    ----------
    series : FiringSeries
        Fixes the scales.
    plan : Plan
        What was planned for each tile.
    looks : DataFrame
        One row per look that stands (superseded ones left out), in the order
        of the log: the columns `FIRING_COLUMNS`, of which `temperature_degC`
        is the temperature read at the load or else the planned one, `dwell_s`
        is that firing's own, `stage` is an ordered Categorical over the
        series' grades and `transparency` a float (nan where not scored); and
        the planned ``mesh, grain_um, layers, base, role``, and
        ``total_dwell_s``, the sum of `dwell_s` over this and earlier looks at
        the same tile; and, where a tile stood elsewhere than planned, ``rack_place``,
        nan where it stood as planned; and, where a look was confirmed, ``confirmed``.
        Use `table` for a copy.
    provenance : Provenance
        Hashes of series.toml, plan.csv and firings.csv.
    lost : frozenset of str
        Tiles that are there no more; what was seen of them before still counts.
    traces : mapping of int to KilnTrace
        Readings of the kiln by load, from closing the door on.
    """

    series: FiringSeries
    plan: Plan
    looks: pd.DataFrame
    provenance: Provenance
    lost: frozenset[str] = frozenset()
    traces: Mapping[int, KilnTrace] = field(default_factory=dict)
    _worked_out: dict[str, pd.DataFrame] = field(
        default_factory=dict, init=False, repr=False
    )

    @property
    def table(self) -> pd.DataFrame:
        """A copy of the looks."""
        return self.looks.copy()

    @property
    def counted(self) -> pd.DataFrame:
        """The looks with the heat of their tiles counted.

        `dwell_s` is here the dwell of the tile up to that look, so that several
        looks at a tile add up: what its firings count at the look's temperature
        (see `counted_dwell`, with the doubling that the series expects). Three
        columns are added: ``own_dwell_s``, that firing's own, ``before``, the
        heat of the tile before it (see `earlier_firings`), and ``last_look``,
        the tile's last, graded or not; of a lost tile one more, since it cannot be
        fired on. A copy each time; worked out once, since every figure asks for it.
        """
        if "counted" not in self._worked_out:
            self._worked_out["counted"] = self._count()
        return self._worked_out["counted"].copy()

    def _count(self) -> pd.DataFrame:
        looks = self.looks
        last_look = looks.groupby("tile")["look"].transform("max")
        return looks.assign(
            own_dwell_s=looks["dwell_s"],
            dwell_s=counted_dwell(looks, self.series),
            last_look=last_look + looks["tile"].isin(self.lost).astype("int64"),
            rack_place=self._rack_place(),
            before=pd.Series(earlier_firings(looks, self.series), looks.index, "object"),
        )

    def _rack_place(self) -> list[int]:
        """Return the place of the rack of each look, 0 where it is not known."""
        looks = self.looks
        planned = pd.Series(0, looks.index)
        if self.plan is not None:
            places = rack_places(self.plan)
            fired = zip(looks["tile"].astype(str), looks["load"].astype(int), strict=True)
            planned = pd.Series([places.get(key, 0) for key in fired], looks.index)
        stood = looks["rack_place"] if "rack_place" in looks else planned
        return list(stood.fillna(planned).astype(int))

    @property
    def has_grade(self) -> bool:
        """Whether any look carries a stage, control tiles aside."""
        looks = self.looks
        return bool((looks["stage"].notna() & (looks["role"] != "control")).any())

    @property
    def graded(self) -> pd.DataFrame:
        """The looks that carry a stage, as the stage fit takes them.

        Those of `counted`, without the control tiles of another colour (role
        ``control``).
        """
        looks = self.counted
        kept = looks["stage"].notna() & (looks["role"] != "control")
        return looks[kept].reset_index(drop=True)

    def require_graded(self) -> pd.DataFrame:
        """Return `graded`; raise `RecordsInsufficient` where no look carries a stage."""
        graded = self.graded
        if graded.empty:
            raise RecordsInsufficient(
                "no look carries a stage",
                hint="grade the fired tiles and record them: firelab record FILE.csv",
            )
        return graded
