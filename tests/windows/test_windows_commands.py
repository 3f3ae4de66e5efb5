"""`firelab fit` and `firelab windows` on real files."""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.plan.plan_files import read_plan
from firelab.series.series_file import design_path, read_series
from firelab.windows.simulation.simulated_kiln import SimulatedClarity, SimulatedKiln


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def fire(folder: Path, design: str, *, clarity=None, **truth):
    """Plan a ready design in a folder and fire it in an invented kiln."""
    folder.mkdir()
    (folder / "series.toml").write_text(design_path(design).read_text())
    assert run("plan", folder).exit_code == 0
    series = read_series(folder)
    kiln = SimulatedKiln(series=series, clarity=clarity, **truth)
    looks = kiln.simulate(read_plan(folder, series).tiles, rng=np.random.default_rng(3))
    looks.to_csv(folder / "firings.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def opaque(tmp_path_factory):
    return fire(
        tmp_path_factory.mktemp("series") / "opaque",
        "opaque-window",
        thresholds=(-6.0, -3.0, 5.0),
        effects={"temperature": 8.0, "dwell": 2.5},
        load_sd=0.3,
    )


@pytest.fixture(scope="module")
def transparent(tmp_path_factory):
    return fire(
        tmp_path_factory.mktemp("series") / "transparent",
        "clear-transparent",
        thresholds=(-6.0, -3.5, 5.0),
        effects={"temperature": 8.0, "dwell": 2.5, "layers": -0.5},
        load_sd=0.3,
        clarity=SimulatedClarity(intercept=7.6, effects={"temperature": 0.8, "mesh": 1.2}),
    )


@pytest.fixture(scope="module")
def fitted(opaque):
    """The opaque series fitted in a folder of its own, and what `fit` printed."""
    folder = opaque.parent / "fitted"
    shutil.copytree(opaque, folder)
    ran = run("fit", folder)
    assert ran.exit_code == 0, ran.output
    return folder, ran


def test_fit_then_windows_gives_a_recipe(fitted):
    folder, ran = fitted
    assert " hotter does as much as " in ran.stdout
    assert "Pareto" not in ran.output and "prior" not in ran.output
    told = json.loads((folder / "fit.json").read_text())
    assert told["schema"] == "firelab/fit/1"
    assert told["clarity"] is None
    assert set(told["provenance"]["sources"]) == {"plan.csv", "firings.csv"}
    asked = run("windows", folder)
    assert asked.exit_code == 0, asked.output
    for words in (": Set 1", " °C) for ", "You may be ", "Expect ", " of 100 tiles full"):
        assert words in asked.stdout
    assert "prior" not in asked.output
    windows = json.loads((folder / "windows.json").read_text())
    assert windows["windows"][0]["recipe"]["assurance"] >= 0.8
    assert (folder / "windows.csv").read_text().startswith("rank,mesh,layers,base,dwell_s")


def test_the_same_files_give_the_same_bytes_and_details_are_only_printed(
    fitted, opaque, tmp_path
):
    folder = tmp_path / "again"
    shutil.copytree(opaque, folder)
    checked = run("fit", folder, "--details")
    assert "Pareto k" in checked.stdout
    assert "priors matter: spreads doubled" in checked.stdout
    for one in (folder, fitted[0]):
        run("windows", one)
    for name in ("fit.json", "windows.json"):
        assert (folder / name).read_bytes() == (fitted[0] / name).read_bytes(), name


def test_windows_of_a_transparent_join_the_score(transparent):
    assert run("fit", transparent).exit_code == 0
    asked = run("windows", transparent, "--json")
    assert asked.exit_code in (0, 3)
    told = json.loads(asked.stdout)
    assert told["score_target"] == 7.0
    assert len(told["windows"]) == 4
    run("windows", transparent, "--probability", "0.5", "--confidence", "0.6")
    easier = json.loads((transparent / "windows.json").read_text())
    assert easier["probability"] == 0.5
    assert max(w["assured_share"] for w in easier["windows"]) > max(
        w["assured_share"] for w in told["windows"]
    )
    assert len(run("windows", transparent).stdout.splitlines()) < 12


def test_asking_too_much_exits_3_with_the_reason(fitted):
    asked = run("windows", fitted[0], "--probability", "0.999", "--confidence", "0.99")
    assert asked.exit_code == 3
    assert "No recipe yet." in asked.stdout
    assert "To settle it:" in asked.stdout


def test_a_stale_fit_is_called_stale(fitted, tmp_path):
    folder = tmp_path / "copy"
    folder.mkdir()
    for name in ("series.toml", "plan.csv", "plan.json", "firings.csv", "fit.json"):
        (folder / name).write_bytes((fitted[0] / name).read_bytes())
    lines = (folder / "firings.csv").read_text().splitlines()
    (folder / "firings.csv").write_text("\n".join(lines[:-1]) + "\n")
    asked = run("windows", folder)
    assert asked.exit_code == 1
    assert "fit.json is stale: firings.csv changed since" in asked.stderr
    assert not (folder / "windows.json").exists()


def test_windows_without_a_fit_says_what_to_do(opaque, tmp_path):
    folder = tmp_path / "bare"
    folder.mkdir()
    for name in ("series.toml", "plan.csv", "plan.json", "firings.csv"):
        (folder / name).write_bytes((opaque / name).read_bytes())
    asked = run("windows", folder)
    assert asked.exit_code == 3
    assert "there is no fit yet" in asked.stderr
    assert f"firelab fit {folder}" in asked.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--method", "guess"], "there is no method 'guess'"),
        (["--link", "cauchy"], "there is no link 'cauchy'"),
        (["--terms", "temperature + humidity"], "humidity"),
    ],
)
def test_a_wrong_option_is_refused_with_the_right_ones(opaque, words, told):
    fitted = run("fit", opaque, *words)
    assert fitted.exit_code in (1, 2)
    assert told in fitted.stderr
    assert "Traceback" not in fitted.output


@pytest.mark.parametrize("content", ["not json", "[]", '{"schema": "other/1"}', "{}"])
def test_a_damaged_fit_file_is_named(opaque, tmp_path, content):
    folder = tmp_path / "damaged"
    folder.mkdir()
    for name in ("series.toml", "plan.csv", "plan.json", "firings.csv"):
        (folder / name).write_bytes((opaque / name).read_bytes())
    (folder / "fit.json").write_text(content)
    asked = run("windows", folder)
    assert asked.exit_code == 1
    assert "fit.json" in asked.stderr
    assert "Traceback" not in asked.output


@pytest.mark.parametrize(
    ("name", "value"), [("--probability", "1.5"), ("--confidence", "0")]
)
def test_a_share_outside_0_to_1_is_refused(fitted, name, value):
    asked = run("windows", fitted[0], name, value)
    assert asked.exit_code == 2
    assert "is not between 0 and 1" in asked.stderr


def test_fit_by_likelihood_is_written_but_gives_no_windows(opaque, tmp_path):
    folder = tmp_path / "ml"
    folder.mkdir()
    for name in ("series.toml", "plan.csv", "plan.json", "firings.csv"):
        (folder / name).write_bytes((opaque / name).read_bytes())
    assert run("fit", folder, "--method", "ml").exit_code == 0
    assert json.loads((folder / "fit.json").read_text())["options"]["method"] == "ml"
    asked = run("windows", folder)
    assert asked.exit_code == 2
    assert "needs posterior draws" in asked.stderr


def test_fit_answers_who_grades_higher_and_what_heat_work_tells(opaque, tmp_path):
    folder = tmp_path / "two observers"
    shutil.copytree(opaque, folder)
    looks = pd.read_csv(folder / "firings.csv", dtype=str, keep_default_na=False)
    grades = ["sugar", "orange peel", "full", "over"]
    higher = looks["stage"].map(dict(zip(grades, [*grades[1:], "over"], strict=True)))
    second = looks.assign(observer="Bo", stage=higher)
    both = pd.concat([looks.assign(observer="Ann"), second])
    both.to_csv(folder / "firings.csv", index=False)
    asked = run("fit", folder, "--observers", "--heat-work", "--json")
    assert asked.exit_code == 0, asked.output
    told = json.loads(asked.stdout)
    by_name = {row["observer"]: row for row in told["observers"]["observers"]}
    # Bo grades every tile one grade higher, which hotter firing would do as well.
    assert by_name["Bo"]["shift_degC"] > 0 > by_name["Ann"]["shift_degC"]
    assert told["agreement"]["pairs"][0]["bias"] > 0.5
    assert told["heat_work"]["activation_kJ_mol"] > 0
    assert told["heat_work_comparison"]["n_loads"] == looks["load"].nunique()


def test_a_question_that_the_looks_cannot_answer_leaves_the_fit(opaque):
    (opaque / "fit.json").unlink(missing_ok=True)
    asked = run("fit", opaque, "--observers")
    assert asked.exit_code == 3
    assert "hotter does as much as" in asked.stdout
    assert "two named observers" in asked.stderr
    assert (opaque / "fit.json").exists()


def test_windows_of_another_blank_keep_the_series_own(fitted):
    opaque, _ = fitted
    run("windows", opaque)
    before = (opaque / "windows.json").read_bytes()
    found = run("windows", opaque, "--thickness", "16 gauge", "--json")
    assert found.exit_code == 0, found.output
    # ASTM B258: 16 gauge is 1.291 mm.
    thick = json.loads(found.stdout)["blank"]["thickness_mm"]
    assert thick == pytest.approx(1.291, abs=1e-3)
    assert (opaque / "windows.json").read_bytes() == before
    assert (opaque / "windows-1.29mm-copper.csv").exists()
    own = run("windows", opaque, "--thickness", "0.8 mm", "--json")
    assert json.loads(own.stdout)["blank"] is None
    for words, where in (
        (("--thickness", "thick"), "--thickness: 'thick' is not a length"),
        (("--thickness", "9 mm"), "--thickness: 9 mm is not"),
        (("--metal", "gold"), "--metal: metal 'gold' is not known"),
        (("--metal", "steel", "--thickness", "18 gauge"), "steel has another gauge"),
    ):
        refused = run("windows", opaque, *words)
        assert refused.exit_code == 2 and where in refused.output
