"""Where kiln or eye went wrong every command ends well, and says it: a short version of
analyses/records/misfortunes.py, whose law of grading shares nothing with the fit."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "records"))
import misfortunes


@pytest.mark.parametrize(
    ("misfortune", "design"),
    [
        ("a place 30 degC hotter", "opaque-window"),
        ("grades that fall with heat", "opaque-window"),
    ],
)
def test_what_went_wrong_is_named_and_every_command_ends_well(
    misfortune, design, tmp_path, monkeypatch
):
    few = (("check",), ("fit",), ("windows",), ("report",))
    monkeypatch.setattr(misfortunes, "COMMANDS", few)
    found = misfortunes.walk(tmp_path, design, misfortune, 502)
    assert found["faults"] == ""
    assert found["named"]
