"""A planned series in a folder, as a person would have it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from firelab.plan.make_plan import make_plan
from firelab.plan.plan import Plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.records.planned_firings import planned_firings
from firelab.records.recording import read_table, record_table
from firelab.series.firing_series import FiringSeries
from firelab.series.folder import FIRINGS_FILE
from firelab.series.series_file import design_path, read_series, series_hash

AT = "2025-03-01T14:05:00+00:00"


@dataclass(frozen=True)
class PlannedFolder:
    path: Path
    series: FiringSeries
    plan: Plan

    @property
    def log(self) -> Path:
        return self.path / FIRINGS_FILE

    @property
    def planned(self):
        return planned_firings(self.plan)

    @property
    def tiles(self) -> list[str]:
        return list(dict.fromkeys(self.plan.tiles["tile"]))

    def record(self, text, **more):
        raw = text if isinstance(text, bytes) else text.encode()
        table = read_table(raw, "looks.csv")
        asked = {"recorded_at": AT, **more}
        return record_table(self.path, table, self.series, self.plan, **asked)


@lru_cache(maxsize=4)
def _planned_files(design: str) -> dict[str, bytes]:
    """Contents of a planned folder by name: to plan takes up to a third of a second."""
    text = design_path(design).read_text(encoding="utf-8")
    named = text.replace('"name of the colour"', '"marsh green (invented)"')
    with TemporaryDirectory() as home:
        base = Path(home)
        (base / "series.toml").write_text(named, encoding="utf-8")
        write_plan(make_plan(read_series(base), series_hash=series_hash(base)), base)
        return {path.name: path.read_bytes() for path in base.iterdir()}


def planned_folder(path: Path, design: str) -> PlannedFolder:
    path.mkdir()
    for name, raw in _planned_files(design).items():
        (path / name).write_bytes(raw)
    series = read_series(path)
    return PlannedFolder(path=path, series=series, plan=read_plan(path, series))


@pytest.fixture
def clear(tmp_path):
    """A transparent over clear base: graded, and scored 0 to 10."""
    return planned_folder(tmp_path / "clear", "clear-transparent")


@pytest.fixture
def opaque(tmp_path):
    """A quick look: 12 tiles in 6 loads, graded only."""
    return planned_folder(tmp_path / "opaque", "quick-look")


@pytest.fixture
def ladder(tmp_path):
    """An opaque whose first tile is planned twice: fired, graded, fired again."""
    folder = planned_folder(tmp_path / "ladder", "quick-look")
    again = folder.plan.tiles.iloc[[0]].assign(order=len(folder.plan.tiles) + 1)
    last = folder.plan.tiles.iloc[-1]
    for name in ("session", "load", "temperature_degC"):
        again[name] = last[name]
    again["dwell_s"] = 45.0
    import dataclasses

    import pandas as pd

    tiles = pd.concat([folder.plan.tiles, again], ignore_index=True)
    write_plan(dataclasses.replace(folder.plan, tiles=tiles), folder.path)
    return PlannedFolder(
        path=folder.path, series=folder.series, plan=read_plan(folder.path, folder.series)
    )
