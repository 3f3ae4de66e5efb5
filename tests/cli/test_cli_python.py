"""What the commands do can be done from Python, and results show themselves."""

import subprocess
import sys

import pytest

import firelab
from firelab.plan.make_plan import make_plan
from firelab.series.series_file import design_path, read_series


def test_every_public_name_is_listed_and_is_there():
    assert dir(firelab) == sorted(firelab.__all__)
    for name in firelab.__all__:
        assert callable(getattr(firelab, name)), name
    with pytest.raises(AttributeError, match="has no attribute 'guess'"):
        _ = firelab.guess


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
