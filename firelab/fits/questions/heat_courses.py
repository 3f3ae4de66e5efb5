"""The tile's own temperature in the firings behind looks, and what heat work that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from firelab.arrays import BoolArray, FloatArray
from firelab.craft.heating import (
    STEPS,
    KilnDrop,
    TileBody,
    heat_integral,
    tile_body,
    tile_course,
)
from firelab.records.records import Records
from firelab.records.trace_file import KilnTrace


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatCourses:
    """The tile's own temperature in every firing behind some graded looks.

    Attributes
    ----------
    tile_degC : ndarray, shape (f, m + 1)
        Course of each of f firings.
    duration_s : ndarray, shape (f,)
    counts : ndarray of bool, shape (n, f)
        Which firings stand behind each of n looks.
    reference_degC : float
        Temperature at which a second of heat work is a second.
    """

    tile_degC: FloatArray
    duration_s: FloatArray
    counts: BoolArray
    reference_degC: float

    def progress(self, activation_kJ_mol: float) -> FloatArray:
        """Return ln of the heat work behind each look, shape (n,)."""
        seconds = heat_integral(
            self.tile_degC, self.duration_s, activation_kJ_mol, self.reference_degC
        )
        return np.asarray(np.log(np.maximum(self.counts @ seconds, 1e-300)))


def heat_courses(
    records: Records,
    *,
    drop: KilnDrop | None = None,
    body: TileBody | None = None,
) -> HeatCourses:
    """Return the courses behind the graded looks of a series, in their order.

    A load without a trace among the records is held at its temperature.

    Parameters
    ----------
    records : Records
    drop : KilnDrop, optional
        How the kiln falls at the door; by default not at all.
    body : TileBody, optional
        By default that of the series' blank.
    """
    firings = (
        records.looks.drop_duplicates(["tile", "look"])
        .sort_values(["tile", "look"])
        .reset_index(drop=True)
    )
    duration = firings["dwell_s"].to_numpy(dtype=float)
    kiln = _kiln_courses(firings, drop or KilnDrop(), records.traces)
    if body is None:
        body = tile_body(records.series.blank.metal, records.series.blank.thickness)
    graded = records.graded
    same = graded["tile"].to_numpy()[:, None] == firings["tile"].to_numpy()[None, :]
    before = graded["look"].to_numpy()[:, None] >= firings["look"].to_numpy()[None, :]
    low, high = records.series.span("temperature")
    return HeatCourses(
        tile_degC=tile_course(kiln, duration, body),
        duration_s=duration,
        counts=same & before,
        reference_degC=(low + high) / 2,
    )


def _kiln_courses(
    firings: pd.DataFrame, drop: KilnDrop, traces: Mapping[int, KilnTrace]
) -> FloatArray:
    share = np.linspace(0.0, 1.0, 2 * STEPS + 1)
    rows = []
    for load, degC, dwell in zip(
        firings["load"], firings["temperature_degC"], firings["dwell_s"], strict=True
    ):
        time = share * float(dwell)
        trace = traces.get(int(load))
        rows.append(trace.course(time) if trace else drop.course(float(degC), time))
    return np.array(rows)
