"""Every ready design reads, plans, keeps its restrictions and reads back."""

import json
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import plan_table_text, read_plan, write_plan
from firelab.plan.plan_rows import plan_findings
from firelab.series.series_file import design_names, design_path, read_series, series_hash
from firelab.series.terms import model_matrix

WITH_TILES = [name for name in design_names() if name != "tile-by-tile"]
"""One design fixes no tile beforehand."""


@lru_cache(maxsize=len(design_names()))
def planned(name):
    series = read_series(design_path(name))
    return series, make_plan(series, series_hash=series_hash(design_path(name)))


def test_there_are_at_least_five_designs():
    assert len(design_names()) >= 5


@pytest.mark.parametrize("name", WITH_TILES)
def test_a_design_plans_within_its_restrictions(name):
    series, plan = planned(name)
    assert plan_findings(series, plan) == []
    tiles = plan.table
    spread = tiles.groupby("load")["temperature_degC"].agg(lambda t: t.max() - t.min())
    assert (spread == 0).all()
    assert (tiles.groupby("load").size() <= series.budget.places).all()
    loads = tiles.groupby("session")["load"].nunique()
    assert (loads <= (series.budget.session_loads or len(tiles))).all()
    assert list(tiles["order"]) == list(range(1, len(tiles) + 1))
    assert tiles["load"].is_monotonic_increasing
    assert tiles["session"].is_monotonic_increasing


@pytest.mark.parametrize("name", WITH_TILES)
def test_a_design_leaves_room_for_what_follows_from_the_looks(name):
    """Two loads at least, and blanks and powder for a load of them."""
    series, plan = planned(name)
    used = plan.figures["budget"]
    assert used["loads"]["there"] - used["loads"]["needed"] >= 2
    assert used["blanks"]["there"] - used["blanks"]["needed"] >= series.budget.places
    grams = [one for kind, one in used.items() if kind.startswith("powder")]
    per_tile = max(one["needed"] for one in grams) / plan.n_tiles
    assert any(one["there"] - one["needed"] >= per_tile for one in grams)


@pytest.mark.parametrize("name", WITH_TILES)
def test_a_plan_can_carry_its_main_effects(name):
    series, plan = planned(name)
    matrix = model_matrix(series, plan.table, series.terms)
    with_mean = pd.DataFrame(matrix).assign(mean=1.0).to_numpy()
    assert np.linalg.matrix_rank(with_mean) == with_mean.shape[1]


@pytest.mark.parametrize("name", WITH_TILES)
def test_same_seed_same_bytes_and_another_seed_another_order(name):
    _, one = planned(name)
    series, two = planned.__wrapped__(name)
    assert two is not one
    assert plan_table_text(one) == plan_table_text(two)
    assert json.dumps(one.to_dict()) == json.dumps(two.to_dict())
    other = make_plan(series, series_hash="0" * 64, seed=series.seed + 1)
    assert plan_table_text(other) != plan_table_text(one)


@pytest.mark.parametrize("name", design_names())
def test_a_plan_read_back_equals_itself(name, tmp_path):
    series, plan = planned(name)
    write_plan(plan, tmp_path)
    back = read_plan(tmp_path, series)
    pd.testing.assert_frame_equal(back.table, plan.table, check_exact=True)
    assert back.to_dict() == plan.to_dict()
    assert back.preparation == plan.preparation
    assert back.provenance == plan.provenance


@pytest.mark.parametrize("name", WITH_TILES)
def test_front_and_back_carry_equal_coats(name):
    _, plan = planned(name)
    for tile in plan.table.itertuples():
        steps = [step for step in plan.preparation if tile.tile in step.tiles]
        back = sum(step.face == "back" for step in steps)
        front = sum(step.face == "front" for step in steps)
        # The last coat of the front is the test firing itself.
        assert back == front + 1
        assert front + 1 == tile.layers + (tile.base != "none")


def test_invented_plan_says_so_in_both_files(tmp_path):
    series, plan = planned("quick-look")
    write_plan(plan, tmp_path, invented=True)
    rows = (tmp_path / "plan.csv").read_text().splitlines()
    assert all("Invented" in row for row in rows[1:])
    assert "Invented" in (tmp_path / "plan.json").read_text()
    pd.testing.assert_frame_equal(read_plan(tmp_path, series).table, plan.table)
