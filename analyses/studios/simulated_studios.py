"""Invented studios whose kilns are off by known amounts: for tests and studies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from firelab.craft.materials import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.plan.make_plan import make_plan
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import Provenance, versions
from firelab.windows.simulation.simulated_kiln import SimulatedKiln

FloatArray = NDArray[np.float64]

_NO_HASH = "0" * 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedStudios:
    """K invented studios that fire one colour, and control tiles of another.

    Attributes
    ----------
    kiln : SimulatedKiln
        The colour's truth in a kiln that reads right.
    offset_degC : ndarray, shape (K,)
        By how much each kiln is hotter than it reads.
    effect_degC : ndarray, shape (K,)
        What each studio's jar, coat and hand are worth, in degC.
    control : SimulatedKiln or None
        Truth of the control colour.
    control_degC : tuple of float
        What the kiln reads where control tiles are fired, one tile each time.
    control_dwell_s : float
    plans : tuple of Plan
        Of which each studio draws one; empty for a new one each. Planning is half the
        time of a trial.
    """

    kiln: SimulatedKiln
    offset_degC: FloatArray
    effect_degC: FloatArray
    control: SimulatedKiln | None = None
    control_degC: tuple[float, ...] = ()
    control_dwell_s: float = 120.0
    plans: tuple[Plan, ...] = ()

    def fire(self, *, rng: np.random.Generator) -> list[tuple[str, Records]]:
        """Fire every studio's plan; return studio and records, K of them."""
        parts = []
        for place in range(len(self.offset_degC)):
            name = f"studio {place + 1}"
            seed = int(rng.integers(2**31))
            plan = (
                self.plans[seed % len(self.plans)]
                if self.plans
                else plan_anew(self.kiln.series, seed)
            )
            parts.append((name, self._records(plan, place, rng)))
        return parts

    def _records(self, plan: Plan, place: int, rng: np.random.Generator) -> Records:
        series = self.kiln.series
        offset = float(self.offset_degC[place])
        tiles = plan.table
        controls = self._control_rows(tiles)
        looks = [_fired(self.kiln, tiles, offset + float(self.effect_degC[place]), rng)]
        if self.control is not None and len(controls):
            looks.append(_fired(self.control, controls, offset, rng))
        rows = pd.concat([tiles, controls], ignore_index=True)
        frame = pd.concat(looks, ignore_index=True)
        settings = rows[["mesh", "grain_um", "layers", "base", "role"]]
        frame = pd.concat([frame, settings.reset_index(drop=True)], axis=1)
        frame["stage"] = pd.Categorical(
            frame["stage"], categories=series.responses.stage.grades, ordered=True
        )
        frame["total_dwell_s"] = frame.groupby("tile")["dwell_s"].cumsum()
        provenance = Provenance(
            series_hash=_NO_HASH, seed=series.seed, versions=versions(), sources={}
        )
        return Records(
            series=series,
            plan=replace(plan, tiles=rows),
            looks=frame,
            provenance=provenance,
        )

    def _control_rows(self, tiles: pd.DataFrame) -> pd.DataFrame:
        last = tiles.iloc[-1]
        factors = self.kiln.series.factors
        count = int(tiles["tile"].nunique())
        rows = [
            {
                "tile": tile_code(count + place),
                "session": int(last["session"]),
                "load": int(tiles["load"].max()) + 1 + place,
                "order": len(tiles) + 1 + place,
                "temperature_degC": degC,
                "dwell_s": self.control_dwell_s,
                "mesh": factors.mesh.levels[0],
                "grain_um": grain_um(factors.mesh.levels[0]),
                "layers": 1,
                "base": factors.base.levels[0],
                "role": "control",
            }
            for place, degC in enumerate(self.control_degC)
        ]
        frame = pd.DataFrame(rows, columns=tiles.columns)
        return frame.astype(tiles.dtypes.to_dict()) if rows else frame


def plan_anew(series: FiringSeries, seed: int) -> Plan:
    """Return a plan of the series as a studio would make it."""
    return make_plan(series, series_hash=_NO_HASH, seed=seed)


def _fired(
    kiln: SimulatedKiln, rows: pd.DataFrame, hotter_degC: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Fire rows at what the kiln truly is, and write down what it reads."""
    true = rows.assign(temperature_degC=rows["temperature_degC"] + hotter_degC)
    looks = kiln.simulate(true, rng=rng)
    return looks.assign(temperature_degC=rows["temperature_degC"].to_numpy())
