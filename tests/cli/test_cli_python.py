"""What the commands do can be done from Python, and results show themselves."""

import ast
import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

import firelab
from firelab.cli.app import COMMANDS
from firelab.plan.make_plan import make_plan
from firelab.series.series_file import design_path, read_series

WALK = Path(__file__).resolve().parents[2] / "analyses" / "first_series"
WITHOUT_FUNCTION = {"kilnside": "it serves until it is stopped"}
FUNCTION_OF = {
    "new": "start_series",
    "check": "check_folder",
    "plan": "make_plan",
    "foresee": "foresee",
    "sheets": "make_sheets",
    "record": "record_table",
    "fit": "fit_stage",
    "windows": "firing_windows",
    "next": "next_tiles",
    "report": "write_report",
    "pack": "pack_series",
    "unpack": "unpack_bundle",
    "verify": "verify_folder",
    "pool": "pool_parts",
    "shelf": "ask_shelf",
    "learn": "learn_history",
    "piece": "plan_piece",
    "lot": "compare_lots",
    "kiln": "watch_kiln",
    "board": "write_board",
    "demo": "start_demo",
}


def test_every_command_has_a_public_function_that_the_walk_calls():
    assert set(FUNCTION_OF) | set(WITHOUT_FUNCTION) == set(COMMANDS)
    tree = ast.parse((WALK / "study.py").read_text(encoding="utf-8"))
    called = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and getattr(node.value, "id", "") == "firelab"
    }
    assert set(FUNCTION_OF.values()) <= called
    assert called == set(firelab.__all__)


def test_the_walk_through_a_first_series_says_what_it_said(tmp_path):
    spec = importlib.util.spec_from_file_location("first_series", WALK / "study.py")
    study = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(study)
    said = study.walk(tmp_path)
    expected = (WALK / "expected" / "said.txt").read_text(encoding="utf-8").splitlines()
    assert said == expected


def test_each_figure_can_be_drawn_from_its_result_alone():
    assert "window_map" in dir(firelab.charts)
    for name in firelab.charts.__all__:
        assert callable(getattr(firelab.charts, name)), name
    with pytest.raises(AttributeError, match="has no attribute 'pie'"):
        _ = firelab.charts.pie


def test_every_public_name_is_listed_and_is_there():
    assert dir(firelab) == sorted(firelab.__all__)
    for name in firelab.__all__:
        assert name == "charts" or callable(getattr(firelab, name)), name
    with pytest.raises(AttributeError, match="has no attribute 'guess'"):
        _ = firelab.guess


def test_every_public_name_has_an_example_which_the_doctests_run():
    for name in set(firelab.__all__) - {"charts"}:
        assert ">>>" in (getattr(firelab, name).__doc__ or ""), name
    for name in firelab.charts.__all__:
        assert ">>>" in (getattr(firelab.charts, name).__doc__ or ""), name


def test_listing_the_names_imports_nothing_heavy():
    code = "import sys, firelab; dir(firelab); assert 'pandas' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_plan_shows_itself_in_words_and_as_html():
    plan = make_plan(read_series(design_path("quick-look")))
    assert repr(plan) == "<Plan: latin-hypercube plan, seed 3301>"
    lines = plan.summary().splitlines()
    assert lines[1] == "12 tiles, 12 firings in 6 loads of at most 2, 1 session"
    assert lines[2] == "    1300 °F (704 °C):  2 in 1 load, 1 min 55 s to 3 min"
    assert "correlation" not in plan.summary()
    assert "correlation" in plan.summary(details=True)
    assert plan._repr_html_().startswith("<pre>latin-hypercube plan, seed 3301")
    assert plan.to_dict()["schema"] == "firelab/plan/1"
