"""Text from a stranger's file neither steers the terminal nor ends in a traceback."""

import json

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.series.folder import DEEPEST_NESTING, FaultyJson, read_json
from firelab.series.series_file import design_path

HOSTILE = "red\\u001b[2J\\u009b31m\\u202eneerg"
"""ECMA-48: ESC and CSI begin control sequences; UAX 9: U+202E turns the writing."""
OBEYED = "\x1b\x9b\u202e"


@pytest.fixture
def folder(tmp_path):
    design = design_path("quick-look").read_text(encoding="utf-8")
    lines = [
        f'name = "{HOSTILE}"' if line.startswith("name") else line
        for line in design.splitlines()
    ]
    (tmp_path / "series.toml").write_text("\n".join(lines), encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("words", ["check", "plan", "plan --json", "check --json"])
def test_what_a_terminal_would_obey_is_written_out(folder, words):
    command, *options = words.split()
    given = CliRunner().invoke(app, [command, str(folder), *options])
    assert given.exit_code == (command == "check"), given.output  # placeholders are left
    seen = given.stdout + given.stderr
    assert not set(seen) & set(OBEYED)
    if options:
        json.loads(given.stdout)
    if words in ("check", "plan"):
        assert "red\\u001b[2J\\u009b31m\\u202eneerg" in seen


def test_a_finding_that_quotes_a_file_is_written_out(folder):
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8").replace(
        "[enamel]", f'[enamel]\n"{HOSTILE}" = 1'
    )
    path.write_text(text, encoding="utf-8")
    given = CliRunner().invoke(app, ["check", str(folder)])
    assert given.exit_code == 1
    assert "neerg" in given.output
    assert not set(given.output) & set(OBEYED)


@pytest.mark.parametrize(
    "text",
    [
        "rules = " + "[" * 5000 + "]" * 5000,
        "a = " + "{a=" * 5000 + "1" + "}" * 5000,
        ".".join("a" * 5000) + " = 1",
        "[" + ".".join("a" * (DEEPEST_NESTING + 2)) + "]\nb = 1",
    ],
)
def test_a_series_nested_deeply_is_refused_by_name(tmp_path, text):
    (tmp_path / "series.toml").write_text(text)
    given = CliRunner().invoke(app, ["check", str(tmp_path)])
    assert given.exit_code == 1
    assert f"series.toml is nested deeper than {DEEPEST_NESTING} levels" in given.output


@pytest.mark.parametrize("depth", [DEEPEST_NESTING + 1, 900, 100_000])
def test_json_nested_deeply_is_refused_by_name(folder, depth):
    deep = "[" * depth + "]" * depth
    runner = CliRunner()
    assert runner.invoke(app, ["plan", str(folder)]).exit_code == 0
    for name, command in (("plan.json", "check"), ("plan.json", "sheets")):
        (folder / name).write_text(deep)
        given = runner.invoke(app, [command, str(folder)])
        assert given.exit_code == 1
        assert name in given.output and "nested deeper" in given.output
    with pytest.raises(FaultyJson, match="nested deeper"):
        read_json(deep.encode(), "fit.json")


def test_nesting_up_to_the_limit_is_read():
    deep = "[" * DEEPEST_NESTING + "]" * DEEPEST_NESTING
    assert read_json(deep.encode(), "fit.json") == json.loads(deep)
