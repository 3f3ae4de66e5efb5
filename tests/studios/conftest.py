"""Invented series folders, fired on paper."""

import io
import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest

from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import write_plan
from firelab.records.look import HEADER_TEXT, Look, rows_text
from firelab.series.folder import INVENTED, json_text, sha256_of
from firelab.series.series_file import design_path, read_series, series_hash


def invent_folder(
    folder, *, observers=("Ada Vega", "Al Voss"), design="quick-look", seed=1, budget=()
):
    """Write an invented series: declared, planned, fired and graded by no one."""
    folder.mkdir(parents=True, exist_ok=True)
    text = design_path(design).read_text(encoding="utf-8")
    text = text.replace(
        'schema = "firelab/series/1"', 'schema = "firelab/series/1"\ninvented = true'
    )
    text = text.replace('"name of the colour"', '"Marsh green"')
    for old, new in budget:
        text = text.replace(old, new)
    (folder / "series.toml").write_text(text, encoding="utf-8")
    series = read_series(folder)
    plan = make_plan(series, series_hash=series_hash(folder), seed=seed)
    write_plan(plan, folder, invented=True)
    (folder / "firings.csv").write_text(
        HEADER_TEXT + rows_text(invented_looks(series, plan, observers, seed)),
        encoding="utf-8",
    )
    return folder


def invented_looks(series, plan, observers, seed):
    rng = np.random.default_rng(seed)
    grades = series.responses.stage.grades
    for place, row in enumerate(plan.table.itertuples()):
        heat = (row.temperature_degC - 745) / 12 + 2.5 * np.log(row.dwell_s / 140)
        place_on_scale = int(np.digitize(heat + rng.logistic(), [-3.0, -1.0, 3.0]))
        yield Look(
            tile=row.tile,
            look=1,
            session=row.session,
            load=row.load,
            temperature_degC=row.temperature_degC,
            dwell_s=row.dwell_s,
            stage=grades[place_on_scale],
            observer=observers[place % len(observers)],
            fired_at="2031-03-04",
            note=f"{INVENTED} {observers[0]} held the fork" if place == 0 else INVENTED,
            recorded_by=observers[0],
        )


def extract(bundle, folder):
    """Write the files of a bundle as any zip program does."""
    with zipfile.ZipFile(io.BytesIO(bundle.raw)) as opened:
        opened.extractall(folder)
    return folder


@pytest.fixture
def invent():
    """The function that writes an invented series folder."""
    return invent_folder


@pytest.fixture(scope="session")
def invented_once(tmp_path_factory):
    """A series folder that no test changes: to plan it takes a third of a second."""
    return invent_folder(tmp_path_factory.mktemp("invented") / "marsh-green")


@pytest.fixture
def folder(invented_once, tmp_path):
    """A series folder without derived files."""
    return Path(shutil.copytree(invented_once, tmp_path / "marsh-green"))


@pytest.fixture
def derived_folder(folder):
    """A series folder with derived files that name observers and sources."""
    sources = {name: sha256_of(folder / name) for name in ("plan.csv", "firings.csv")}
    provenance = {
        "series_hash": series_hash(folder),
        "seed": 1,
        "versions": {"firelab": "0.1.0"},
        "sources": sources,
    }
    fit = {"schema": "x", "observers": {"Ada Vega": 0.5}, "provenance": provenance}
    (folder / "fit.json").write_text(json_text(fit))
    both = {**sources, "fit.json": sha256_of(folder / "fit.json")}
    windows = {"schema": "x", "windows": [], "provenance": {**provenance, "sources": both}}
    (folder / "windows.json").write_text(json_text(windows))
    page = f"<p>Graded by Ada Vega and Al Voss</p><code>{sources['firings.csv']}</code>"
    (folder / "report.html").write_text(page)
    assert json.loads((folder / "fit.json").read_text())["observers"]
    return folder


@pytest.fixture
def extracted():
    """The function that writes a bundle's files as any zip program does."""
    return extract


@pytest.fixture(scope="module")
def invent_module():
    """The function that writes an invented series folder, for a whole module."""
    return invent_folder
