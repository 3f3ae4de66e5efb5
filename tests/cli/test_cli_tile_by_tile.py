"""A jar of one's own, one tile at a time, by the commands that a maker types."""

import json

import pandas as pd
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FirelabError
from firelab.plan.plan_files import read_plan
from firelab.series.series_file import read_series


def run(*words, leaves=0):
    ran = CliRunner().invoke(app, [str(word) for word in words])
    assert ran.exit_code == leaves, ran.output
    return ran


@pytest.fixture
def jar(tmp_path):
    folder = tmp_path / "jar"
    run("new", folder)
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8").replace("name of the colour", "an invented red")
    path.write_text(text, encoding="utf-8")
    return folder


def plan_of(folder):
    return read_plan(folder, read_series(folder))


def test_a_series_begins_with_nothing_but_its_range(jar):
    assert "firelab plan" in run("check", jar).stdout
    planned = run("plan", jar)
    assert "no tile yet" in planned.stdout and "firelab next" in planned.stderr
    assert (jar / "plan.csv").read_text(encoding="utf-8").startswith("tile,session,load,")
    assert plan_of(jar).tiles.empty
    assert f"no faults; next: firelab next {jar} --add" in run("check", jar).stdout
    assert "sheets.pdf: print it at 100 %" in run("sheets", jar).stdout, "blank marks"
    assert f"what to fire first: firelab next {jar}" in run("fit", jar, leaves=3).stderr
    assert "there is no fit yet" in run("windows", jar, leaves=3).stderr
    assert "nothing has been fired yet" in run("report", jar).stdout
    assert "none to foresee" in run("foresee", jar, leaves=2).stderr
    assert "not of this plan" in run("record", jar, "--grades", "AAA full", leaves=1).stderr
    # A plan that fixes its tiles and lost them all is still refused.
    stored = json.loads((jar / "plan.json").read_text(encoding="utf-8"))
    (jar / "plan.json").write_text(json.dumps(stored | {"kind": "factorial"}))
    with pytest.raises(FirelabError, match="holds no tile"):
        plan_of(jar)


def test_each_tile_is_chosen_coded_fired_and_graded_in_turn(jar):
    run("plan", jar)
    asked = run("next", jar)
    assert asked.stdout.splitlines()[0].startswith("Likeliest now: ")
    assert "place 1 of the rack" in asked.stdout and plan_of(jar).tiles.empty
    added = run("next", jar, "--add")
    assert "new tile AAA" in added.stderr and "--grades" in added.stderr
    waiting = run("next", jar)
    assert "Planned and not graded yet: AAA" in waiting.stdout
    assert "fire AAA, then firelab record" in run("check", jar).stdout
    run("sheets", jar, "--session", 1)
    run("record", jar, "--grades", "AAA sugar")
    # Fired elsewhere than proposed, and two though one was asked.
    run("next", jar, "--add", "--places", 2)
    table = pd.DataFrame({"tile": plan_of(jar).tiles["tile"][1:], "stage": "full"})
    table.assign(temperature_degC=[765.0, 765.0]).to_csv(jar / "looks.csv", index=False)
    run("record", jar / "looks.csv", jar)
    chosen = json.loads(run("next", jar, "--json").stdout)
    assert chosen["n_looks"] == 3 and chosen["rack_places"] == [4]
    at = [one["temperature_degC"] for one in chosen["belief"]["tiles"]]
    assert at[1:] == [765.0, 765.0]
    assert 745 < chosen["now"]["temperature_degC"] < 785
    assert chosen["odds_after"] >= chosen["odds"] > 0.5
    written = pd.read_csv(jar / "next.csv")
    assert written["temperature_degC"].tolist() == [chosen["firing"]["temperature_degC"]]
    assert "middle of full at 2 min 15 s: 1375 °F" in run("fit", jar, "--details").stdout
    windows = run("windows", jar, leaves=3)
    added = [
        [line for line in out.splitlines() if line.startswith("One more tile, at ")]
        for out in (windows.stdout, run("next", jar).stdout)
    ]
    assert len(added[0]) == 1 and added[0] == added[1]
    run("report", jar)
    narrow = run("next", jar, "--window")
    assert "The edges are known to" in narrow.stdout


def test_a_further_day_begins_when_it_is_asked_for_or_the_last_is_full(jar):
    run("plan", jar)
    for words in ((), (), ("--day",), (), (), (), ()):
        run("next", jar, "--add", *words)
    assert plan_of(jar).tiles["session"].tolist() == [1, 1, 2, 2, 2, 2, 3]
    assert plan_of(jar).tiles["tile"].is_unique
    assert "9 tiles" in run("next", jar, "--places", 9, leaves=2).stderr
