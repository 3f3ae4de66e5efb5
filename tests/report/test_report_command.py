"""`firelab report`: from a bare folder to a fired one, stale files named."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.records.firing_log import read_firings, read_planned_log
from firelab.records.photographs import thumbnail
from firelab.report import page
from firelab.report.page import PHOTO_SIDES, photo_images, report_page
from firelab.report.sources import read_sources
from firelab.series.series_file import design_path

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
    """A folder taken as far as its windows."""
    folder = tmp_path_factory.mktemp("fired") / "series"
    shutil.copytree(planned, folder)
    plan = pd.read_csv(folder / "plan.csv")
    degF = (plan["temperature_degC"] * 1.8 + 32).round().astype(int)
    looks = plan[["tile"]].assign(look=1, stage=degF.map(GRADES))
    looks["note"] = "<script>alert(1)</script>"
    looks.to_csv(folder / "looks.csv", index=False)
    assert run("record", folder / "looks.csv", folder).exit_code == 0
    Image.new("RGB", (400, 200), "teal").save(folder / "tile.png")
    first = ["--tile", looks["tile"][0], "--stage", looks["stage"][0]]
    seen = [*first, "--note", looks["note"][0], "--photo", folder / "tile.png"]
    assert run("record", folder, *seen).exit_code == 0
    assert run("fit", folder).exit_code == 0
    assert run("windows", folder).exit_code in (0, 3)
    return folder


@pytest.fixture(scope="module")
def reported(fired):
    done = run("report", fired, "--json")
    assert done.exit_code == 0
    files = json.loads(done.stdout)["files"]
    return done.stdout, {name: (fired / name).read_bytes() for name in files}


def test_a_planned_series_has_a_report(planned):
    done = run("report", planned)
    assert done.exit_code == 0
    assert "nothing has been fired yet" in done.stdout
    assert b"<svg" in (planned / "figures" / "plan.svg").read_bytes()
    assert "Nothing has been fired yet" in (planned / "report.html").read_text("utf-8")


def test_a_photograph_stands_beside_its_grade(fired, reported):
    page = reported[1]["report.html"].decode()
    plan = pd.read_csv(fired / "plan.csv")
    tile, degC = plan["tile"][0], plan["temperature_degC"][0]
    degF = round(degC * 1.8 + 32)
    (figure,) = re.findall(r'<img src="data:image/jpeg.*?</figure>', page, re.DOTALL)
    alt, width, height = re.search(
        r'alt="(.*?)" width="(.*?)" height="(.*?)"', figure
    ).groups()
    assert (alt, width, height) == (f"photograph of tile {tile}", "320", "160")
    assert f"{GRADES[degF]}: tile {tile}, {degF} °F" in figure


def test_many_photographs_are_drawn_smaller_and_those_left_are_counted(
    fired, monkeypatch, tmp_path
):
    records = read_firings(fired)
    look = next(one for one in read_planned_log(fired)[2].standing if one.entry)
    picture = tmp_path / "grain.png"
    grain = np.random.default_rng(3).integers(0, 255, (400, 400, 3), dtype=np.uint8)
    Image.fromarray(grain).save(picture)
    photos = [(look, picture)] * 4
    sizes = {side: len(thumbnail(picture, side)[0]) for side in PHOTO_SIDES}
    for side in PHOTO_SIDES:
        monkeypatch.setattr(page, "MOST_PHOTO_BYTES", 4 * sizes[side])
        assert [one.width for one in photo_images(records, photos)] == [side] * 4
    monkeypatch.setattr(page, "MOST_PHOTO_BYTES", 3 * sizes[PHOTO_SIDES[-1]])
    assert [one.width for one in photo_images(records, photos)] == [PHOTO_SIDES[-1]] * 3
    sources = replace(read_sources(fired), photos=tuple(photos))
    assert "<p>1 more photograph in the folder photos:" in report_page(sources, ())


def test_another_process_writes_the_same_bytes(fired, reported):
    told, files = reported
    words = [sys.executable, "-m", "firelab", "report", str(fired), "--json"]
    again = subprocess.run(words, capture_output=True, text=True, check=True)
    assert again.stdout == told
    assert {name: (fired / name).read_bytes() for name in files} == files


def test_a_fired_series_has_windows_figures_and_a_recipe_card(reported):
    _, files = reported
    assert any(name.startswith("figures/window-map-") for name in files)
    assert files["recipe-card.pdf"].startswith(b"%PDF")
    assert b"<script" not in files["report.html"]


def test_the_page_says_what_firelab_windows_says(fired, reported):
    """The windows are worked out again, by the same seed: nothing may differ."""
    page = reported[1]["report.html"].decode("utf-8")
    first = run("windows", fired).stdout.rstrip().split("\n   ")
    sentences = [first[0].split(": ", 1)[1], *first[1:4]]
    assert len(sentences) == 4
    for sentence in sentences:
        assert sentence.removeprefix("No recipe yet. ") in page


def test_figures_are_written_as_png_where_asked_and_then_kept_new(planned, tmp_path):
    folder = tmp_path / "series"
    shutil.copytree(planned, folder)
    picture = folder / "figures" / "plan.png"
    picture.unlink(missing_ok=True)
    assert run("report", folder).exit_code == 0
    assert not picture.exists()
    assert "wrote" in run("report", folder, "--png").stderr
    first = picture.read_bytes()
    assert first.startswith(b"\x89PNG")
    picture.write_bytes(b"older")
    assert run("report", folder).exit_code == 0
    assert picture.read_bytes() == first


def test_a_stale_file_is_named_on_the_page_and_on_the_terminal(fired, tmp_path):
    folder = tmp_path / "series"
    shutil.copytree(fired, folder)
    told = json.loads((folder / "windows.json").read_text("utf-8"))
    told["provenance"]["sources"]["firings.csv"] = "0" * 64
    (folder / "windows.json").write_text(json.dumps(told), encoding="utf-8")
    done = run("report", folder)
    assert done.exit_code == 0
    assert "windows.json is stale" in done.stderr
    assert "windows.json is stale" in (folder / "report.html").read_text("utf-8")


def test_a_folder_without_a_series_is_told_with_a_remedy(tmp_path):
    done = run("report", tmp_path)
    assert done.exit_code == 1
    assert "firelab new" in done.stderr
    assert not (tmp_path / "report.html").exists()
