"""Tiles that were fired already go back into the kiln in a further session."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from firelab.errors import FirelabError
from firelab.plan.design_figures import seen_settings
from firelab.plan.extend import extend_plan
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.plan.plan_rows import dwell_at_temperature, met_before, plan_findings
from firelab.plan.stock import coat_grams
from firelab.series.declared_parts import ControlTile
from firelab.series.firing_series import FiringSeries
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("clear-transparent"))
PLAN = make_plan(SERIES, series_hash="0" * 64)
HOT, COLD = 829.44, 746.11


def planned(temperature_degC, dwell_s, mesh, layers, plan=PLAN):
    rows = plan.table.query(
        "temperature_degC == @temperature_degC and dwell_s == @dwell_s"
        " and mesh == @mesh and layers == @layers and role != 'control'"
    )
    return str(rows["tile"].iloc[0])


COLD_TILE = planned(COLD, 180.0, 80, 2)
HOT_TILE = planned(HOT, 120.0, 80, 2)


def firing(tile="", temperature_degC=800.0, dwell_s=60.0, mesh=80, layers=2, **more):
    return {
        "temperature_degC": temperature_degC,
        "dwell_s": dwell_s,
        "mesh": mesh,
        "layers": layers,
        "base": "hard clear",
        "tile": tile,
        **more,
    }


def extended(*rows, series: FiringSeries = SERIES, plan=PLAN, **more):
    return extend_plan(series, plan, pd.DataFrame(list(rows)), **more)


def added(longer, plan=PLAN):
    return longer.table.iloc[len(plan.tiles) :].set_index("tile")


MIXED = (
    firing(COLD_TILE),
    firing(layers=1, dwell_s=120.0),
    firing(HOT_TILE.lower(), dwell_s=90.0),
    firing(float("nan"), layers=1, mesh=150, dwell_s=150.0),
)


def test_a_tile_fired_on_keeps_its_code_and_new_ones_are_numbered_on():
    longer = extended(*MIXED)
    new = added(longer)
    assert set(new.index) == {COLD_TILE, HOT_TILE, "FXL", "FYF"}
    assert new.loc[[COLD_TILE, HOT_TILE], "dwell_s"].tolist() == [60.0, 90.0]
    assert set(new["load"]) == {9}
    assert set(new["session"]) == {3}
    assert longer.n_tiles == PLAN.n_tiles + 2
    pd.testing.assert_frame_equal(longer.table.iloc[: len(PLAN.tiles)], PLAN.table)
    assert plan_findings(SERIES, longer) == []


def test_only_new_tiles_are_prepared_powdered_and_counted():
    longer = extended(*MIXED)
    new_steps = longer.preparation[len(PLAN.preparation) :]
    assert {tile for step in new_steps for tile in step.tiles} == {"FXL", "FYF"}
    assert [step.step for step in longer.preparation] == list(
        range(1, len(longer.preparation) + 1)
    )
    for mesh in ("80 mesh", "150 mesh"):
        more = longer.powder_g[mesh] - PLAN.powder_g[mesh]
        assert more == pytest.approx(coat_grams(SERIES), abs=0.011)
    blanks = longer.figures["budget"]["blanks"]["needed"]
    assert blanks == PLAN.n_tiles + 2


def test_a_session_of_fired_on_tiles_alone():
    longer = extended(firing(COLD_TILE), firing(HOT_TILE, dwell_s=90.0))
    assert longer.preparation == PLAN.preparation
    assert longer.powder_g == PLAN.powder_g
    assert longer.n_tiles == PLAN.n_tiles
    # Heating up 15 min, recovery 5 min and the longer dwell, by hand.
    hours = longer.time_h["total"] - PLAN.time_h["total"]
    assert hours == pytest.approx((15 * 60 + 5 * 60 + 90) / 3600, abs=0.0011)
    assert longer.figures["estimable"]
    assert plan_findings(SERIES, longer) == []


def test_a_tile_cool_from_an_earlier_session_is_not_waited_for():
    last = PLAN.table.iloc[-1]
    row = firing(last["tile"], mesh=last["mesh"], layers=last["layers"])
    hours = extended(row).time_h["total"] - PLAN.time_h["total"]
    assert hours == pytest.approx((15 * 60 + 5 * 60 + 60) / 3600, abs=0.0011)


def test_every_fault_is_told_in_one_error():
    control = ControlTile(colour="known white", temperature=HOT, dwell=120.0)
    series = dataclasses.replace(
        SERIES, plan=dataclasses.replace(SERIES.plan, control=control)
    )
    plan = make_plan(series, series_hash="0" * 64)
    marked = str(plan.table.query("role == 'control'")["tile"].iloc[0])
    cold = planned(COLD, 180.0, 80, 2, plan)
    with pytest.raises(FirelabError) as told:
        extended(
            firing("YYY", load=1),
            firing(marked, load=1),
            firing(cold, mesh=150, layers=1, load=1),
            firing(cold, load=1),
            firing("", HOT, 180.0, load=2),
            series=series,
            plan=plan,
        )
    assert told.value.what == (
        "row 1: tile YYY is not in the plan; "
        f"row 2: tile {marked} is a control tile, fired at its own setting; "
        f"row 3: tile {cold} has mesh 150, layers 1 here and mesh 80, layers 2 in the "
        f"plan; tile {cold} stands twice in load 1; "
        "row 5: 1525 °F (829 °C), 3 min is forbidden by the rules: "
        f"{SERIES.rules[0]}"
    )
    assert told.value.hint


def test_two_firings_of_a_tile_need_their_order():
    with pytest.raises(FirelabError, match="no column load says in which order"):
        extended(firing(COLD_TILE, 780.0), firing(COLD_TILE, 800.0))


@pytest.mark.parametrize("heats", [(780.0, 800.0), (800.0, 780.0), (800.0, 800.0)])
def test_loads_that_share_a_tile_follow_one_another_as_named(heats):
    for seed in range(12):
        longer = extended(
            firing(COLD_TILE, heats[0], 60.0, load=1),
            firing(COLD_TILE, heats[1], 45.0, load=2),
            firing("", 760.0, 120.0, load=3),
            rng=np.random.default_rng(seed),
        )
        rows = added(longer).loc[[COLD_TILE]].sort_values("order")
        assert rows["dwell_s"].tolist() == [60.0, 45.0]
        assert rows["temperature_degC"].tolist() == list(heats)
        assert rows["load"].diff().iloc[1] == 1
        assert plan_findings(SERIES, longer) == []


def test_a_chain_longer_than_a_session_is_refused():
    rows = [firing(COLD_TILE, 760.0 + load, 20.0, load=load) for load in range(1, 8)]
    with pytest.raises(
        FirelabError, match="share tiles, and a session holds 6 loads of tests"
    ):
        extended(*rows)
    found = plan_findings(SERIES, extended(*rows[:6]))
    assert [one.message for one in found] == ["loads: 14 needed, 12 there, 2 short"]


def test_rules_are_held_against_the_dwell_at_one_temperature():
    # The rule: two coats never hotter than 1500 degF for longer than 2 min 30 s.
    for_a_minute_and_a_half = extended(firing(COLD_TILE, HOT, 90.0))
    assert plan_findings(SERIES, for_a_minute_and_a_half) == []
    with pytest.raises(FirelabError, match=r"row 1: .*forbidden by the rules"):
        extended(firing(COLD_TILE, HOT, 160.0))
    with pytest.raises(FirelabError, match=r"row 1: .*forbidden by the rules"):
        extended(firing(HOT_TILE, HOT, 80.0))
    with pytest.raises(FirelabError, match=r"row 2: .*forbidden by the rules"):
        extended(
            firing(COLD_TILE, HOT, 90.0, load=1), firing(COLD_TILE, HOT, 105.0, load=2)
        )


def test_check_finds_what_adding_refuses():
    longer = extended(firing(HOT_TILE, 800.0, 80.0))
    last = len(longer.tiles) - 1
    tiles = longer.table
    tiles.loc[last, "temperature_degC"] = HOT
    found = plan_findings(SERIES, dataclasses.replace(longer, tiles=tiles))
    assert [(one.code, one.line) for one in found] == [("forbidden", last + 2)]
    # Rows turned upside down tell the same: what counts is the order of firing.
    resorted = tiles.sort_values("order", ascending=False, ignore_index=True)
    found = plan_findings(SERIES, dataclasses.replace(longer, tiles=resorted))
    assert [one.code for one in found] == ["forbidden"]
    broken = resorted.iloc[found[0].line - 2]
    assert (broken["tile"], broken["order"]) == (HOT_TILE, last + 1)


def test_a_second_extension_counts_the_first():
    once = extended(firing(COLD_TILE, HOT, 90.0))
    with pytest.raises(FirelabError, match="forbidden by the rules"):
        # Warming up takes 31 s of each: 59 s at heat, and 31 + 61 more are too many.
        extended(firing(COLD_TILE, HOT, 95.0), plan=once)
    twice = extended(firing(COLD_TILE, HOT, 85.0), plan=once)
    assert twice.table["session"].max() == 4
    assert plan_findings(SERIES, twice) == []


def test_a_tile_fired_on_elsewhere_is_no_repeat_of_a_new_one():
    longer = extended(
        firing(COLD_TILE, 801.67, 120.0, load=1),
        firing("", 801.67, 120.0, load=1),
        firing(HOT_TILE, HOT, 30.0, load=2),
        firing("", HOT, 150.0, load=2),
    )
    new = added(longer)
    assert new.loc[COLD_TILE, "role"] == "test"
    of_new = new.drop([COLD_TILE, HOT_TILE]).set_index("temperature_degC")["role"]
    assert of_new[801.67] == "repeat"
    assert new.loc[HOT_TILE, "role"] == "test"


def test_histories_are_compared_whole():
    rows = pd.DataFrame(
        {
            "tile": ["a", "b", "a", "b", "c", "c"],
            "order": [1, 2, 3, 4, 5, 6],
            "temperature_degC": [760.0, 760.0, 790.0, 790.0, 790.0, 760.0],
            "dwell_s": [60.0, 60.0, 30.0, 30.0, 30.0, 60.0],
            "mesh": 80,
            "layers": 1,
            "base": "none",
        }
    )
    assert met_before(rows).tolist() == [False, True, False, True, False, False]
    again = rows.assign(temperature_degC=760.0)
    blank = dataclasses.replace(SERIES.blank, warm_up=25.0)
    series = dataclasses.replace(SERIES, blank=blank)
    # 60 s are 35 s at heat, 30 s are 5 s: each firing warms the tile up anew.
    assert dwell_at_temperature(series, again).tolist() == [60, 60, 65, 65, 30, 65]
    assert dwell_at_temperature(series, rows).tolist() == [60, 60, 30, 30, 30, 60]


def test_figures_count_earlier_heat_at_the_expected_doubling():
    # Time at heat at 746.11 counts, 30 degC hotter and with 30 degC a doubling, half.
    assert SERIES.priors.doubling == 30.0
    longer = extended(firing(COLD_TILE, 776.11, 60.0))
    at_heat = 180.0 - SERIES.blank.warm_up_s(746.11)
    seen = seen_settings(SERIES, longer.tiles).query("tile == @COLD_TILE")
    assert seen["dwell_s"].tolist() == pytest.approx([180.0, 60.0 + at_heat / 2])
    plain = seen_settings(SERIES, longer.tiles).query("tile != @COLD_TILE")
    once = PLAN.table.query("tile != @COLD_TILE")
    assert plain["dwell_s"].tolist() == once["dwell_s"].tolist()


def test_an_extended_plan_is_read_back_equal(tmp_path):
    longer = extended(*MIXED, note="two fired on")
    write_plan(longer, tmp_path)
    back = read_plan(tmp_path, SERIES)
    pd.testing.assert_frame_equal(back.table, longer.table)
    assert back.preparation == longer.preparation
    assert back.powder_g == longer.powder_g
    assert back.notes[-1] == "two fired on"
    assert plan_findings(SERIES, back) == []
