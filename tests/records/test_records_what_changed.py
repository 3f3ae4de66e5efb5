"""What makes a result stale: what it was made from, and nothing else."""

import hashlib
import re

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.plan.make_plan import make_plan
from firelab.records.what_changed import changed_since, record_parts
from firelab.series.series_file import design_path, read_series, series_hash

NO_MATTER = {
    "comment": ("# A quick look", "# A short look"),
    "name": ('name = "A quick look at a new jar"', 'name = "Heron"'),
    "colour": ('colour = "heron"', 'colour = "heron blue"'),
    "kiln.name": ("[plan]", '[kiln]\nname = "the small one"\n[plan]'),
    "a word of the trade": ("[factors.dwell]", "[factors.time]"),
    "question": ("question = ", "# question = "),
    "budget": ("blanks = 20", "blanks = 30"),
    "loads": ("loads = 10", "loads = 14"),
    "plan's share of the loads": ("\nloads = 6\n", "\nloads = 7\n"),
    "probability": ("probability = 0.7", "probability = 0.8"),
    "other unit": ('low = "1300 degF"', 'low = "704.44 degC"'),
}
MATTERS = {
    "factors.dwell": ('low = "1 min 30 s"', 'low = "1 min 45 s"'),
    "factors.temperature": ('low = "1300 degF"', 'low = "1310 degF"'),
    "plan.tiles": ("tiles = 12", "tiles = 11"),
    "blank.metal": ('metal = "copper"', 'metal = "steel"'),
    "seed": ("seed = 3301", "seed = 3302"),
}


@pytest.fixture
def folder(tmp_path):
    text = design_path("quick-look").read_text(encoding="utf-8")
    named = text.replace("name of the colour", "heron")
    (tmp_path / "series.toml").write_text(named, encoding="utf-8")
    return tmp_path


def change(folder, old, new):
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def made_from(folder):
    plan = make_plan(read_series(folder), series_hash=series_hash(folder))
    return plan.provenance.to_dict()


@pytest.mark.parametrize("what", NO_MATTER)
def test_what_a_plan_was_not_made_from_leaves_it_fresh(folder, what):
    provenance = made_from(folder)
    change(folder, *NO_MATTER[what])
    assert changed_since(folder, provenance, "plan") == []


@pytest.mark.parametrize("key", MATTERS)
def test_what_a_plan_was_made_from_makes_it_stale_and_is_named(folder, key):
    provenance = made_from(folder)
    change(folder, *MATTERS[key])
    assert changed_since(folder, provenance, "plan") == [f"{key} of series.toml"]


def test_the_probability_asked_makes_windows_stale_and_no_fit(folder):
    provenance = made_from(folder)
    change(folder, "probability = 0.7", "probability = 0.8")
    assert changed_since(folder, provenance, "fit") == []
    assert changed_since(folder, provenance, "windows") == [
        "window.probability of series.toml"
    ]


def test_a_default_that_is_another_now_is_no_change_of_the_series(folder):
    provenance = made_from(folder)
    # SHA-256 of the number as JSON writes it: what stood there when 6 degC was the default.
    provenance["parts"]["priors.observer"] = hashlib.sha256(b"6.0").hexdigest()[:12]
    assert changed_since(folder, provenance, "fit") == []
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + '\n[priors]\nobserver = "9 degC"\n', encoding="utf-8")
    named = ["priors.observer of series.toml"]
    assert changed_since(folder, provenance, "fit") == named


def test_the_words_of_a_grade_make_nothing_stale(folder):
    provenance = made_from(folder)
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8")
    words = '\n[responses.stage.words]\nfull = ["glossy"]\n'
    path.write_text(text + words, encoding="utf-8")
    for made in ("plan", "fit", "windows"):
        assert changed_since(folder, provenance, made) == []


def test_a_file_made_before_is_held_against_the_bytes_of_series_toml(folder):
    before = made_from(folder)
    del before["parts"]
    assert changed_since(folder, before, "plan") == []
    change(folder, "# A quick look", "# A short look")
    assert changed_since(folder, before, "plan") == ["series.toml"]


def test_check_names_what_changed_and_a_raised_budget_is_no_fault(folder):
    run = CliRunner().invoke
    assert run(app, ["plan", str(folder), "--tiles", "11"]).exit_code == 0
    change(folder, "blanks = 20", "blanks = 40")
    checked = run(app, ["check", str(folder)])
    assert checked.exit_code == 0, checked.output
    change(folder, 'high = "3 min 30 s"', 'high = "4 min"')
    checked = run(app, ["check", str(folder)])
    assert checked.exit_code == 1
    told = re.sub(r"\s+", " ", checked.stderr)
    assert (
        "plan.json is stale: factors.dwell of series.toml changed since the plan was made "
        f"hint: make it anew with: firelab plan {folder}"
    ) in told


def test_of_plan_and_traces_what_a_fit_took_decides_and_of_older_fits_the_bytes(folder):
    plan, log = folder / "plan.csv", folder / "firings.csv"
    plan.write_text("tile,dwell_s\nAAA,120\nAAB,120\n", encoding="utf-8")
    log.write_text("tile,look,stage\nAAA,1,full\n", encoding="utf-8")
    parts = made_from(folder)["parts"]
    sources = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (plan, log)
    }
    before = {"parts": parts, "sources": sources}
    fit = {"parts": {**parts, **record_parts(folder)}, "sources": sources}
    assert changed_since(folder, fit, "fit") == changed_since(folder, before, "fit") == []
    plan.write_text("tile,dwell_s\nAAA,120\nAAB,120\nAAC,90\n", encoding="utf-8")
    assert changed_since(folder, fit, "fit") == []
    assert changed_since(folder, before, "fit") == ["plan.csv"]
    plan.write_text("tile,dwell_s\nAAA,150\nAAB,120\n", encoding="utf-8")
    assert changed_since(folder, fit, "fit") == ["plan.csv"]
    plan.write_text("tile,dwell_s\nAAA,120\nAAB,120\n", encoding="utf-8")
    (folder / "traces").mkdir()
    trace = folder / "traces" / "load-1.csv"
    trace.write_text("time_s,temperature_degC\n0,700\n60,760\n", encoding="utf-8")
    (folder / "traces" / "monday.csv").write_text("of no load", encoding="utf-8")
    assert changed_since(folder, fit, "fit") == ["traces"]
    assert changed_since(folder, before, "fit") == ["traces"]
    again = {"parts": {**parts, **record_parts(folder)}, "sources": sources}
    assert changed_since(folder, again, "fit") == []
    trace.unlink()
    assert changed_since(folder, again, "fit") == ["traces"]
    log.write_text("tile,look,stage\nAAA,1,full\nAAB,1,full\n", encoding="utf-8")
    assert changed_since(folder, fit, "fit") == ["firings.csv"]
