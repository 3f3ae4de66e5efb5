"""`firelab report`: from a bare folder to a fired one, stale files named."""

from __future__ import annotations

import json
import shutil

import pandas as pd
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.series.designs import design_path

GRADES = {1300: "sugar", 1350: "orange peel", 1400: "full", 1450: "full", 1500: "over"}


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("report") / "series"
    folder.mkdir()
    shutil.copy(design_path("opaque-window"), folder / "series.toml")
    assert run("plan", folder).exit_code == 0
    return folder


@pytest.fixture(scope="module")
def fired(planned, tmp_path_factory):
    folder = tmp_path_factory.mktemp("fired") / "series"
    shutil.copytree(planned, folder)
    plan = pd.read_csv(folder / "plan.csv")
    degF = (plan["temperature_degC"] * 1.8 + 32).round().astype(int)
    looks = plan[["tile"]].assign(look=1, stage=degF.map(GRADES))
    looks["note"] = "<script>alert(1)</script>"
    looks.to_csv(folder / "looks.csv", index=False)
    assert run("record", folder / "looks.csv", folder).exit_code == 0
    return folder


def test_a_planned_series_has_a_report(planned):
    done = run("report", planned)
    assert done.exit_code == 0
    assert "nothing has been fired yet" in done.stdout
    assert (planned / "figures" / "plan.png").is_file()
    assert "Nothing has been fired yet" in (planned / "report.html").read_text("utf-8")


def test_a_fired_series_has_windows_and_figures_and_the_same_bytes_twice(fired):
    done = run("report", fired, "--json")
    assert done.exit_code == 0
    told = json.loads(done.stdout)
    first = {name: (fired / name).read_bytes() for name in told["files"]}
    assert "report.html" in first
    assert any(name.startswith("figures/window-map-") for name in first)
    assert b"<script" not in first["report.html"]
    assert run("report", fired, "--json").stdout == done.stdout
    assert {name: (fired / name).read_bytes() for name in told["files"]} == first


def test_a_stale_file_is_named_on_the_page_and_on_the_terminal(fired):
    stale = {
        "schema": "firelab/windows/1",
        "provenance": {"series_hash": "0" * 64, "seed": 1, "versions": {}, "sources": {}},
    }
    (fired / "windows.json").write_text(json.dumps(stale), encoding="utf-8")
    done = run("report", fired)
    (fired / "windows.json").unlink()
    assert done.exit_code == 0
    assert "windows.json is stale" in done.stderr
    assert "windows.json is stale" in (fired / "report.html").read_text("utf-8")


def test_a_folder_without_a_series_is_told_with_a_remedy(tmp_path):
    done = run("report", tmp_path)
    assert done.exit_code == 1
    assert "firelab new" in done.stderr
    assert not (tmp_path / "report.html").exists()
