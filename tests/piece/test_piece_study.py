"""The study of told against true odds: its table and what its README says of it."""

import importlib.util
import json
from pathlib import Path

import pytest

STUDY = Path(__file__).resolve().parents[2] / "analyses" / "piece"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("piece_study", STUDY / "study.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_table_is_of_the_recorded_rows(study):
    expected = STUDY / "expected"
    rows = json.loads((expected / "sessions.json").read_text())
    assert (expected / "sessions.txt").read_text().splitlines() == study.table(rows)
    readme = " ".join((STUDY / "README.md").read_text().split())
    told, true = (sum(row[key] for row in rows) / len(rows) for key in ("told", "true"))
    assert f"| all | {len(rows)} | {told:.3f}".replace("0.", ".") in readme
    assert f"{true:.3f} |".replace("0.", ".") in readme
