"""`firelab new` and the frame around every command.

Exit codes are firelab's own contract: 0 done, 1 findings, 2 usage, 3 the
records cannot support the answer.
"""

import importlib
import json
import os
import pty
import re
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from firelab.cli import console
from firelab.cli.app import COMMANDS, app
from firelab.errors import (
    FaultyFile,
    Finding,
    FirelabError,
    RecordsInsufficient,
    UsageError,
)
from firelab.series.example_file import example_text
from firelab.series.folder import propose_mark
from firelab.series.series_file import design_names, design_path, read_series

runner = CliRunner()


def test_new_copies_a_ready_design(tmp_path):
    ran = runner.invoke(app, ["new", str(tmp_path / "jar"), "--from", "base-coats"])
    assert ran.exit_code == 0
    assert "firelab check" in ran.stdout
    written = (tmp_path / "jar" / "series.toml").read_text(encoding="utf-8")
    mark = propose_mark(tmp_path / "jar")
    shipped = design_path("base-coats").read_text(encoding="utf-8")
    assert written.replace(f'mark = "{mark}"\n', "") == shipped
    assert f"its tiles are marked {mark}" in ran.stderr


def test_new_never_overwrites_a_series(tmp_path):
    (tmp_path / "series.toml").write_text("mine", encoding="utf-8")
    ran = runner.invoke(app, ["new", str(tmp_path)])
    assert ran.exit_code == 2
    assert "there is a series already" in ran.stderr
    assert (tmp_path / "series.toml").read_text(encoding="utf-8") == "mine"


def test_new_names_the_ready_designs(tmp_path):
    ran = runner.invoke(app, ["new", "--list"])
    assert ran.exit_code == 0
    named = [line.split()[0] for line in ran.stdout.splitlines()]
    assert sorted(named) == list(design_names())
    assert named[0] == "tile-by-tile"
    ran = runner.invoke(app, ["new", str(tmp_path / "x"), "--from", "nothing"])
    assert ran.exit_code == 2
    assert "opaque-window" in ran.stderr
    assert not (tmp_path / "x").exists()
    assert runner.invoke(app, ["new"]).exit_code == 2


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (FirelabError("what", "where:1", "remedy"), 1),
        (UsageError("what", "where:1", "remedy"), 2),
        (RecordsInsufficient("what", "where:1", "remedy"), 3),
    ],
)
def test_a_fault_leaves_with_its_exit_code(fault, code, capsys):
    with pytest.raises(SystemExit) as left, console.exit_on_fault():
        raise fault
    assert left.value.code == code
    told = capsys.readouterr()
    assert told.err == "where:1 what\n  hint: remedy\n"
    assert told.out == ""


def test_findings_are_json_where_asked(capsys):
    finding = Finding(code="c", file="f.csv", line=3, column=2, message="m", hint="h")
    with pytest.raises(SystemExit), console.exit_on_fault(as_json=True):
        raise FaultyFile([finding])

    told = json.loads(capsys.readouterr().out)
    assert told == {"schema": "firelab/findings/1", "findings": [finding.to_dict()]}


def test_a_failure_of_our_own_shows_no_traceback(monkeypatch, tmp_path):
    code = (
        "from firelab.cli import app\n"
        "import sys\n"
        "def broken(): raise RuntimeError('odd')\n"
        "app.app.command('broken')(broken)\n"
        "sys.argv = ['firelab', 'broken']\n"
        "app.main()\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert ran.returncode == 1
    assert ran.stderr.startswith("firelab failed: RuntimeError: odd")
    assert "Traceback" not in ran.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_that_ends_with_an_example(name):
    ran = runner.invoke(app, [name, "--help"])
    assert ran.exit_code == 0, ran.output
    _, _, example = " ".join(ran.stdout.split()).rpartition("Example: ")
    module, line = COMMANDS[name]
    assert example == importlib.import_module(f"firelab.cli.{module}").EXAMPLES[name]
    listed = runner.invoke(app, ["--help"]).stdout
    assert line in " ".join(listed.split())


def test_the_top_line_has_every_command_once_in_the_order_of_the_list():
    help_text = " ".join(runner.invoke(app, ["--help"]).stdout.split())
    top = help_text[help_text.index("The work in order:") : help_text.index("Options:")]
    named = [word for word in re.findall(r"[a-z]+", top) if word in COMMANDS]
    named.remove("piece")  # in "on one piece: piece"
    assert named == list(COMMANDS)


def test_new_asks_on_a_terminal_alone(tmp_path):
    ran = runner.invoke(app, ["new", str(tmp_path / "x"), "--ask"])
    assert ran.exit_code == 2
    assert ran.stderr == (
        "--ask: there is no terminal to ask on\n  hint: leave --ask out, edit series.toml\n"
    )
    assert not (tmp_path / "x").exists()


def test_the_six_questions_on_a_terminal(tmp_path):
    code = f"import sys; sys.argv = ['firelab', 'new', {str(tmp_path / 'x')!r}, '--ask']\n"
    code += "from firelab.cli.app import main\nmain()\n"
    held, seen = pty.openpty()
    answers = "heron\n\ncopper, 18 gauge\n\n1350 to 1500\n20, 3\n"
    ran = subprocess.Popen([sys.executable, "-c", code], stdin=seen, stderr=seen, stdout=-1)
    os.write(held, answers.encode())
    told = ran.communicate(timeout=60)[0].decode()
    os.close(seen)
    os.close(held)
    assert ran.returncode == 0
    assert told.startswith(f"{tmp_path / 'x' / 'series.toml'}: look it through, then: ")
    series = read_series(tmp_path / "x")
    assert series.name == "heron on copper"
    assert series.budget.places == 3
    assert "# Cautions: enamel dust" in (tmp_path / "x" / "series.toml").read_text()
    assert runner.invoke(app, ["check", str(tmp_path / "x")]).exit_code == 0


def test_new_prints_one_file_with_every_key():
    ran = runner.invoke(app, ["new", "--example"])
    assert ran.exit_code == 0
    assert ran.stdout == example_text()


def test_what_only_who_checks_needs_stands_apart_in_the_help():
    told = runner.invoke(app, ["fit", "--help"]).stdout
    plain, _, advanced = told.partition("Advanced, for who checks:")
    plain = plain[plain.index("Options:") :]
    assert "--observers" in plain and "--observers" not in advanced
    for option in ("--method", "--link", "--terms", "--heat-work"):
        assert option in advanced and f"{option} " not in plain
    assert "Advanced: " not in told


@pytest.mark.parametrize("name", COMMANDS)
def test_no_default_is_a_number_that_means_none(name):
    told = runner.invoke(app, [name, "--help"]).stdout
    assert not re.search(r"\[default: (-1|0|0\.0|None)\b", told)
    assert told.count("Options:") == 1


def test_each_step_of_the_first_hour_names_the_next(tmp_path):
    """From a new folder to printed sheets, and each wrong turn on the way."""
    folder = tmp_path / "jar"

    def told(*words):
        ran = runner.invoke(app, [*words[:1], str(folder), *words[1:]])
        return " ".join((ran.stdout + ran.stderr).split())

    assert f"firelab check {folder}" in told("new", "--from", "quick-look")
    text = (folder / "series.toml").read_text(encoding="utf-8")
    named = text.replace("name of the colour", "heron")
    (folder / "series.toml").write_text(named, encoding="utf-8")
    assert f"next: firelab plan {folder}" in told("check")
    assert f"firelab plan {folder}" in told("sheets")
    assert f"next: firelab sheets {folder}" in told("plan")
    assert (
        f"next: fire, then: firelab record looks.csv {folder}, or beside the kiln: "
        f"firelab kilnside {folder} --network"
    ) in told("sheets")
    assert (
        f"hint: such as: firelab record looks.csv {folder}, or: firelab record {folder} "
        "--tile AEX --stage full"
    ) in told("record")
    assert f"add looks with: firelab record looks.csv {folder}" in told("fit")
    assert f"hint: firelab fit {folder}" in told("windows")
    assert f"hint: firelab fit {folder}" in told("next")
