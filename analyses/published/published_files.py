"""A published experiment as the files of a series, read back as records."""

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firelab.craft.materials import grain_um
from firelab.craft.tile_codes import tile_code
from firelab.plan.plan import PLAN_DTYPES, Plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.records.firing_log import read_firings
from firelab.records.recording import read_table, record_table
from firelab.series.folder import SERIES_FILE, Provenance, versions, write_atomically
from firelab.series.series_file import read_series, series_hash

RECORDED_AT = "2025-03-01T12:00:00+00:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One value found through the files of a series, and the published one."""

    study: str
    what: str
    found: float
    published: float

    @property
    def digits(self):
        """Log relative error: correct digits, at most 12."""
        error = abs(self.found - self.published) / max(abs(self.published), 1e-300)
        return float(min(12.0, -np.log10(max(error, 1e-12))))


def records_of(folder, series_text, rows):
    """Write series.toml, plan.csv, plan.json and firings.csv, and read them back.

    Parameters
    ----------
    folder : str or Path
        Empty.
    series_text : str
    rows : DataFrame
        load, temperature_degC, dwell_s, base, stage and, where scored,
        transparency; one row per tile.
    """
    base = Path(folder)
    write_atomically(base / SERIES_FILE, series_text)
    series = read_series(base)
    write_plan(_plan_of(rows, series, series_hash(base)), base)
    plan = read_plan(base, series)
    table = read_table(_looks_text(rows).encode(), "published.csv")
    record_table(base, table, series, plan, recorded_at=RECORDED_AT, recorded_by="study")
    return read_firings(base)


def _plan_of(rows, series, digest):
    n = len(rows)
    tiles = rows[["load", "temperature_degC", "dwell_s", "base"]].assign(
        tile=[tile_code(i) for i in range(n)],
        session=1,
        order=np.arange(1, n + 1),
        mesh=80,
        grain_um=grain_um(80),
        layers=1,
        role="test",
    )
    return Plan(
        tiles=tiles[list(PLAN_DTYPES)].astype(PLAN_DTYPES),
        kind="published",
        preparation=(),
        figures={},
        powder_g={},
        time_h={},
        notes=("a published experiment; its levels are stand-ins",),
        provenance=Provenance(
            series_hash=digest, seed=series.seed, versions=versions(), sources={}
        ),
    )


def _looks_text(rows):
    """Every look says its own temperature: published groups mix them, loads do not."""
    scored = "transparency" in rows
    names = ["tile", "look", "load", "temperature_degC", "dwell_s", "stage"]
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow([*names, *(["transparency"] if scored else [])])
    for i, row in enumerate(rows.itertuples(index=False)):
        cells = [tile_code(i), 1, row.load, row.temperature_degC, row.dwell_s, row.stage]
        writer.writerow([*cells, *([row.transparency] if scored else [])])
    return text.getvalue()
