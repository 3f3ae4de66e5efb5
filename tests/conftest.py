"""Settings of every test: properties are tried from fixed seeds, without a clock.

Tests run with as few threads as the commands do: two workers whose matrices take two
threads each wait for one another (a third of the processor time, on two cores).
Texts that are stored are compared letter by letter; `--renew-texts` writes them anew.
"""

import functools

import pytest
import typer.main
import typer.testing
from hypothesis import settings

from firelab.cli.app import settle_process

settle_process()

# A command line is made once a process, as for a user, and not once a call (30 ms).
typer.main.get_command = functools.cache(typer.main.get_command)
typer.testing._get_command = typer.main.get_command

# A deadline would be a timed test; a random seed would make a run hard to repeat.
settings.register_profile("firelab", deadline=None, derandomize=True)
settings.load_profile("firelab")


def pytest_addoption(parser):
    words = "write stored texts anew, where what is said was meant to change"
    parser.addoption("--renew-texts", action="store_true", help=words)


@pytest.fixture
def stored(request):
    """Compare a text with its file, or write the file anew and pass nothing as tested."""

    def compare(text, path):
        if request.config.getoption("--renew-texts"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
            pytest.skip(f"{path.name} was written anew")
        assert path.is_file(), f"{path} is missing; write it with: pytest --renew-texts"
        assert text == path.read_text(encoding="utf-8")

    return compare
