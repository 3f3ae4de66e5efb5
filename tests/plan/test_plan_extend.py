"""A plan that is extended keeps everything planned."""

import pandas as pd
import pytest

from firelab.errors import FirelabError
from firelab.plan.extend import extend_plan
from firelab.plan.faults import plan_findings
from firelab.plan.make_plan import plan_series
from firelab.plan.powder import coat_grams, powder_left
from firelab.series.designs import design_path
from firelab.series.series_file import read_series

SERIES = read_series(design_path("clear-transparent"))
PLAN = plan_series(SERIES, series_hash="0" * 64)
LOAD = pd.DataFrame(
    {
        "temperature_degC": 800.0,
        "dwell_s": [120.0, 150.0, 180.0],
        "mesh": [80, 80, 150],
        "layers": [1, 2, 1],
        "base": "hard clear",
    }
)


def test_planned_rows_and_preparation_stay():
    longer = extend_plan(SERIES, PLAN, LOAD, note="to find the low edge")
    n = len(PLAN.tiles)
    pd.testing.assert_frame_equal(longer.table.iloc[:n], PLAN.table)
    assert longer.preparation[: len(PLAN.preparation)] == PLAN.preparation
    new = longer.table.iloc[n:]
    assert set(new["session"]) == {PLAN.table["session"].max() + 1}
    assert set(new["load"]) == {PLAN.table["load"].max() + 1}
    assert not set(new["tile"]) & set(PLAN.table["tile"])
    assert longer.notes[-1] == "to find the low edge"
    assert longer.time_h["total"] > PLAN.time_h["total"]
    assert plan_findings(SERIES, longer) == []


def test_the_same_extension_twice_is_the_same():
    one, two = (extend_plan(SERIES, PLAN, LOAD) for _ in range(2))
    pd.testing.assert_frame_equal(one.table, two.table)


def test_powder_left_is_budget_less_coats():
    # 400 g/m2 on 40 mm x 40 mm with a quarter lost: .64 / .75 g a coat, by hand.
    assert coat_grams(SERIES) == pytest.approx(0.853333, abs=1e-6)
    before, after = (
        powder_left(SERIES, PLAN),
        powder_left(SERIES, extend_plan(SERIES, PLAN, LOAD)),
    )
    assert before[80] - after[80] == pytest.approx(3 * 0.8533, abs=0.011)
    assert before[150] - after[150] == pytest.approx(0.8533, abs=0.011)


def test_more_than_the_places_needs_a_second_load():
    many = pd.concat([LOAD] * 3, ignore_index=True)
    longer = extend_plan(SERIES, PLAN, many)
    assert longer.table["load"].max() == PLAN.table["load"].max() + 2
    assert plan_findings(SERIES, longer) == []


def test_what_a_rule_forbids_is_not_added():
    wrong = LOAD.assign(temperature_degC=829.44, dwell_s=180.0, layers=2)
    with pytest.raises(FirelabError, match="forbidden by the rules"):
        extend_plan(SERIES, PLAN, wrong)
