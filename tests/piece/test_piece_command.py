"""`firelab piece` as a new user meets it: begun, checked, planned."""

import json

import pypdfium2 as pdfium
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def edit(bowl, *changes):
    text = (bowl / "piece.toml").read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (bowl / "piece.toml").write_text(text)


def test_a_piece_begun_from_series_has_no_fault(bowl, studio):
    found = run("piece", "check", bowl)
    assert found.exit_code == 0 and "no faults; next: firelab piece plan" in found.output
    again = run("piece", "new", bowl, studio / "sky")
    assert again.exit_code == 2 and "there is a piece already" in again.output
    assert run("piece", "new", bowl.parent / "none").exit_code == 2


def test_every_fault_is_named_at_once_with_its_line(bowl):
    edit(
        bowl,
        ("rules = []", 'rules = ["hard ground befor sky", "moss last"]'),
        ("mesh = 80", "mesh = 200"),
    )
    first = run("piece", "check", bowl)
    lines = (bowl / "piece.toml").read_text().splitlines()
    place = next(k for k, line in enumerate(lines, 1) if line.startswith("rules"))
    assert first.exit_code == 1
    assert first.output.count(f"piece.toml:{place} rules") == 2
    assert "is no rule; " not in first.output and "A before B" in first.output
    assert "'moss', no colour of the piece" in first.output
    edit(
        bowl,
        ('rules = ["hard ground befor sky", "moss last"]', "rules = []"),
        ('series = "', 'series = "nowhere/'),
    )
    second = run("piece", "check", bowl)
    assert second.exit_code == 1 and second.output.count("nowhere/") >= 2


def test_settings_that_were_not_fired_are_faults(bowl):
    edit(bowl, ("mesh = 80", "mesh = 200"), ('ready = "orange peel"', 'ready = "toffee"'))
    found = run("piece", "check", bowl)
    assert found.exit_code == 1
    assert "200 is no mesh of the tiles of hard ground" in found.output
    assert "has no stage 'toffee'" in found.output


def test_rules_that_no_order_keeps_are_refused(bowl):
    rules = 'rules = ["sky before hard ground", "sky last"]'
    edit(bowl, ("rules = []", rules))
    found = run("piece", "check", bowl)
    assert found.exit_code == 1 and "keeps them all" in found.output


def test_what_held_for_tiles_alone_is_a_caution(bowl):
    edit(
        bowl,
        ('metal = "copper"', 'metal = "fine silver"'),
        ("firings = 2", 'firings = 2\nkiln = "the big one"'),
    )
    with_over = (bowl / "piece.toml").read_text().rstrip().rsplit("\n", 1)[0]
    (bowl / "piece.toml").write_text(with_over + '\nover = "hard ground"\n')
    found = run("piece", "check", bowl)
    assert found.exit_code == 0, found.output
    words = " ".join(found.output.split())
    assert "hard ground and sky were tested on copper, the piece is of fine" in words
    assert "the piece is fired in the kiln 'the big one'" in words
    assert "sky was tested on bare metal, on the piece over hard ground" in words


def test_the_plan_fires_the_hard_ground_first_and_says_so(bowl):
    found = run("piece", "plan", bowl)
    assert found.exit_code in (0, 3), found.output
    answer = json.loads((bowl / "piece.json").read_text())
    assert answer["schema"] == "firelab/piece/1"
    first, second = answer["best"]["firings"]
    assert first["colours"] == ["hard ground"] and second["colours"] == ["sky"]
    assert first["temperature_degC"] > second["temperature_degC"]
    assert answer["one_firing"]["probability"] < answer["best"]["probability"]
    assert "Firing 1: lay hard ground; " in found.stdout
    assert "All in one firing: " in found.stdout
    assert "no data on that" in found.stdout
    assert found.exit_code == (3 if answer["best"]["probability"] < 0.8 else 0)
    page = (bowl / "piece.pdf").read_bytes()
    told = json.loads(run("piece", "plan", bowl, "--json").stdout)
    assert told == answer and (bowl / "piece.pdf").read_bytes() == page
    with pdfium.PdfDocument(page) as sheet:
        assert len(sheet) == 1
        words = " ".join(sheet[0].get_textpage().get_text_range().split())
        assert sheet[0].get_width() == pytest.approx(595.3, abs=0.1)
    for wanted in ("Lay hard ground", "Lay sky", "read °F", "held", "orange peel", "Dust"):
        assert wanted in words
    assert (bowl / "figures" / "piece.png").exists()


def test_a_folder_without_a_piece_says_how_to_begin(tmp_path):
    found = run("piece", "plan", tmp_path)
    assert found.exit_code == 1 and "firelab piece new" in found.output
    assert run("piece", "check", tmp_path, tmp_path / "more").exit_code == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("plan", "--grades", "sky full", "--note", "x"), "--grades, --note: piece plan "),
        (("check", "--firing", 1), "--firing: piece check does not take it"),
        (("record", "--page", "letter"), "--page: piece record does not take it"),
        (("new",), "no series is named\n  hint: firelab piece new PIECE SERIES SERIES"),
    ],
)
def test_options_of_another_step_are_refused(tmp_path, monkeypatch, words, told):
    monkeypatch.chdir(tmp_path)
    found = run("piece", *words)
    assert found.exit_code == 2
    assert told in found.output
    assert "hint:" in found.output
    assert not list(tmp_path.iterdir())
