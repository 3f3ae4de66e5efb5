"""A plan that is extended keeps everything planned."""

import dataclasses
import math

import pandas as pd
import pytest
from scipy.stats import spearmanr

from firelab.craft.tile_codes import tile_index
from firelab.errors import FirelabError
from firelab.plan.extend import extend_plan
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_rows import plan_findings
from firelab.plan.stock import coat_grams, powder_left
from firelab.series.declared_parts import ControlTile
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("clear-transparent"))
PLAN = make_plan(SERIES, series_hash="0" * 64)
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


def test_codes_say_nothing_of_firing_order_or_heat():
    # Of n ranks drawn at random the correlation has mean 0 and sd 1/sqrt(n - 1)
    # (Kendall and Gibbons 1990, Rank Correlation Methods): here within four of the mean's.
    opaque = read_series(design_path("opaque-window"))
    plans = [make_plan(opaque, series_hash="0" * 64, seed=seed).tiles for seed in range(4)]
    one = 1 / math.sqrt(len(plans[0]) - 1)
    for column in ("order", "temperature_degC"):
        found = [
            spearmanr([tile_index(tile) for tile in tiles["tile"]], tiles[column]).statistic
            for tiles in plans
        ]
        assert abs(sum(found)) / len(found) < 4 * one / math.sqrt(len(found))
        assert max(map(abs, found)) < 4 * one


def test_the_order_drawn_for_new_tiles_stays_as_it_was():
    # Codes, dwells and meshes as drawn before loads could be named.
    many = pd.concat([LOAD] * 3, ignore_index=True)
    new = extend_plan(SERIES, PLAN, many).table.iloc[len(PLAN.tiles) :]
    assert sorted(new["tile"]) == "F44 FXL FYF HAL HEF HF4 HHT HKK HLE".split()
    assert new["tile"].tolist() != sorted(new["tile"], key=tile_index)
    assert new["load"].tolist() == [9] * 5 + [10] * 4
    assert new["dwell_s"].tolist() == [120, 150, 180, 180, 150, 120, 150, 180, 120]
    named = extend_plan(SERIES, PLAN, LOAD.assign(load=1))
    pd.testing.assert_frame_equal(named.table, extend_plan(SERIES, PLAN, LOAD).table)


def test_named_loads_are_kept_apart():
    apart = LOAD.assign(load=[1, 2, 2])
    new = extend_plan(SERIES, PLAN, apart).table.iloc[len(PLAN.tiles) :]
    in_load = {load: set(rows["dwell_s"]) for load, rows in new.groupby("load")}
    assert sorted(in_load.values(), key=len) == [{120.0}, {150.0, 180.0}]
    shared = extend_plan(SERIES, PLAN, LOAD).table.iloc[len(PLAN.tiles) :]
    assert set(shared["load"]) == {9}


def test_a_named_load_that_cannot_be_is_refused():
    wrong = pd.concat([LOAD] * 3, ignore_index=True).assign(load=1)
    wrong.loc[0, "temperature_degC"] = 780.0
    with pytest.raises(FirelabError) as told:
        extend_plan(SERIES, PLAN, wrong)
    assert "load 1 is at 1436 °F (780 °C) and 1472 °F (800 °C)" in told.value.what
    assert "load 1 holds 9 tiles of 6 places" in told.value.what
    with pytest.raises(FirelabError, match="load is blank in some rows"):
        extend_plan(SERIES, PLAN, LOAD.assign(load=[1, None, 1]))
    with pytest.raises(FirelabError, match="lack the column mesh, base"):
        extend_plan(SERIES, PLAN, LOAD.drop(columns=["mesh", "base"]))


def test_a_control_tile_does_not_overfill_a_session_of_added_loads():
    control = ControlTile(colour="known white", temperature=700.0, dwell=120.0)
    series = dataclasses.replace(
        SERIES,
        plan=dataclasses.replace(SERIES.plan, control=control),
        budget=dataclasses.replace(SERIES.budget, session_loads=2, loads=None, blanks=None),
    )
    plan = make_plan(series, series_hash="0" * 64)
    two = LOAD.assign(temperature_degC=[780.0, 800.0, 800.0])
    assert plan_findings(series, extend_plan(series, plan, two)) == []
