"""What every command says, word by word, as its reader sees it.

Invented studios are taken through all commands in the order of the work, each file of
`expected/` holding what one command said: ``$`` begins what was typed, ``!`` a line that
went to stderr, ``exit`` an exit code other than 0. Replaced are the version and what
follows from it, sizes and SHA-256 of bundles, and the key of a phone's square.
DEVELOPERS.md says how to write them anew.
"""

import importlib
import shlex
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from command_walk import NAMES, WALK, SaidTexts

from firelab.cli.app import COMMANDS

EXPECTED = Path(__file__).parent / "expected"


@pytest.fixture(scope="module")
def walk(tmp_path_factory):
    """What was typed and what every command said."""
    said = SaidTexts()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path_factory.mktemp("texts"))
        patch.setenv("COLUMNS", "80")
        for part in WALK:
            part(said)
    return said


@pytest.fixture(scope="module")
def texts(walk):
    """What every command said, by the name of its file."""
    return walk.texts()


@pytest.mark.parametrize("name", NAMES)
def test_what_a_command_says_is_as_stored(name, texts, stored):
    stored(texts[name], EXPECTED / f"{name}.txt")


SERVING = {"kilnside"}
"""Its example does not end by itself; tested in its own room."""


def test_every_example_runs_as_the_help_has_it(walk):
    for name in set(COMMANDS) - SERVING:
        module = importlib.import_module(f"firelab.cli.{COMMANDS[name][0]}")
        program, *words = shlex.split(module.EXAMPLES[name])
        assert program == "firelab" and words[0] == name
        assert walk.codes.get(tuple(words), set()) & {0, 3}, module.EXAMPLES[name]
    said = "\n".join(walk.texts().values())
    assert "Traceback" not in said


def test_every_stored_text_is_of_a_command(texts):
    assert sorted(path.stem for path in EXPECTED.iterdir()) == NAMES
    assert sorted(texts) == NAMES


def test_the_report_of_the_demonstration_stays_short(texts):
    """Half of the 2,681 words that it once had for the same facts."""
    count = texts["demo"].rpartition("words of demo-series/report.html: ")[2]
    assert 1000 < int(count) <= 1340
