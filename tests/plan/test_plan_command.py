"""`firelab plan` as a person types it."""

import json

from typer.testing import CliRunner

from firelab.cli.app import app

RUN = CliRunner()


def made(folder, design="quick-look"):
    assert RUN.invoke(app, ["new", str(folder), "--from", design]).exit_code == 0
    return folder


def test_a_plan_is_written_and_told(tmp_path):
    folder = made(tmp_path / "jar")
    told = RUN.invoke(app, ["plan", str(folder)])
    assert told.exit_code == 0
    assert "12 tiles, 12 firings in 6 loads" in told.stdout
    assert (folder / "plan.csv").is_file()
    assert (folder / "plan.json").is_file()


def test_json_is_the_file(tmp_path):
    folder = made(tmp_path / "jar")
    told = RUN.invoke(app, ["plan", str(folder), "--json"])
    assert json.loads(told.stdout) == json.loads((folder / "plan.json").read_text())


def test_kind_size_and_seed_by_option(tmp_path):
    folder = made(tmp_path / "jar")
    again = ["plan", str(folder), "--kind", "latin-hypercube", "--tiles", "10"]
    assert "10 tiles" in RUN.invoke(app, [*again, "--seed", "5"]).stdout
    first = (folder / "plan.csv").read_bytes()
    assert RUN.invoke(app, [*again, "--seed", "5"]).exit_code == 0
    assert (folder / "plan.csv").read_bytes() == first


def test_kinds_are_listed():
    told = RUN.invoke(app, ["plan", "--kinds"])
    assert told.exit_code == 0
    assert "latin-hypercube" in told.stdout


def test_kinds_and_comparison_as_json(tmp_path):
    kinds = json.loads(RUN.invoke(app, ["plan", "--kinds", "--json"]).stdout)
    assert kinds["schema"] == "firelab/plan-kinds/1"
    folder = made(tmp_path / "jar")
    asked = ["plan", str(folder), "--compare", "--kind", "d-optimal", "--sizes", "8,12"]
    told = RUN.invoke(app, [*asked, "--json"])
    plans = json.loads(told.stdout)["plans"]
    assert sorted(plan["tiles"] for plan in plans) == [8, 12]
    assert not (folder / "plan.csv").exists()
    plain = RUN.invoke(app, asked).stdout.splitlines()
    assert plain[0].split()[:3] == ["kind", "tiles", "loads"]
    wrong = RUN.invoke(app, ["plan", str(folder), "--compare", "--sizes", "many"])
    assert wrong.exit_code == 2
    assert "'many' is not a list of sizes" in wrong.stderr


def test_tiles_are_added_to_a_plan_that_was_fired(tmp_path):
    folder = made(tmp_path / "jar")
    assert RUN.invoke(app, ["plan", str(folder), "--tiles", "10"]).exit_code == 0
    before = (folder / "plan.csv").read_text().splitlines()
    (folder / "firings.csv").write_text("tile,look\nAAA,1\n")
    budget = (folder / "series.toml").read_text().replace("loads = 6", "loads = 8")
    (folder / "series.toml").write_text(budget)
    told = RUN.invoke(app, ["plan", str(folder), "--add", "2"])
    assert told.exit_code == 0, told.stderr
    after = (folder / "plan.csv").read_text().splitlines()
    assert after[: len(before)] == before
    assert len(after) == len(before) + 2
    assert "Added: the best 2 tiles" in told.stdout


def test_a_fraction_tells_what_it_hides(tmp_path):
    folder = made(tmp_path / "jar", "clear-transparent")
    told = RUN.invoke(
        app, ["plan", str(folder), "--kind", "two-level-fraction", "--details"]
    )
    assert told.exit_code == 0
    assert "resolution 4" in told.stdout
    assert "temperature:dwell = mesh:layers" in told.stdout


def test_the_figure_is_drawn_where_asked(tmp_path):
    folder = made(tmp_path / "jar")
    told = RUN.invoke(app, ["plan", str(folder), "--figure"])
    assert told.exit_code == 0
    assert (folder / "figures" / "plan.png").read_bytes()[1:4] == b"PNG"
    assert (folder / "figures" / "plan.svg").is_file()


def test_an_unknown_kind_is_a_usage_error(tmp_path):
    folder = made(tmp_path / "jar")
    told = RUN.invoke(app, ["plan", str(folder), "--kind", "guess"])
    assert told.exit_code == 2
    assert "there is no plan kind 'guess'" in told.stderr


def test_a_fired_plan_is_never_replaced(tmp_path):
    folder = made(tmp_path / "jar")
    assert RUN.invoke(app, ["plan", str(folder)]).exit_code == 0
    before = (folder / "plan.csv").read_bytes()
    (folder / "firings.csv").write_text("tile,look\nAAA,1\n")
    told = RUN.invoke(app, ["plan", str(folder), "--seed", "9"])
    assert told.exit_code == 1
    assert "hint:" in told.stderr
    assert (folder / "plan.csv").read_bytes() == before


def test_an_empty_log_does_not_bind(tmp_path):
    folder = made(tmp_path / "jar")
    (folder / "firings.csv").write_text("tile,look\n")
    assert RUN.invoke(app, ["plan", str(folder)]).exit_code == 0
