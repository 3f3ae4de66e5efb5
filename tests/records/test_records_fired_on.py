"""Looks at tiles that a further session fires on: their number, load and heat."""

import dataclasses

import pandas as pd
import pytest

from firelab.errors import FaultyFile
from firelab.plan.extend import extend_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.records.firing_log import read_firings
from firelab.records.folder_check import check_folder
from firelab.records.planned_firings import planned_firings, tiles_as_planned


@pytest.fixture
def extended(clear):
    """Every tile graded; two fired on and two new ones in load 9 of session 3."""
    rows = clear.plan.tiles
    clear.record(
        "tile,stage,fired_at\n" + "".join(f"{t},sugar,2025-03-01\n" for t in rows["tile"])
    )
    columns = ["temperature_degC", "dwell_s", "mesh", "layers", "base", "tile"]
    chosen = rows.query("temperature_degC < 780").iloc[[0, 4, 1, 2]][columns]
    chosen = chosen.assign(temperature_degC=801.67, dwell_s=[60.0, 75.0, 120.0, 150.0])
    chosen.iloc[2:, columns.index("tile")] = ""
    longer = extend_plan(clear.series, clear.plan, chosen)
    write_plan(longer, clear.path)
    folder = dataclasses.replace(clear, plan=read_plan(clear.path, clear.series))
    fired_on = [tile for tile in chosen["tile"] if tile]
    return folder, fired_on


def codes(fault):
    return [one.code for one in fault.value.findings]


@pytest.mark.parametrize("said", ["look,2", "load,9", "session,3"])
def test_look_load_or_session_says_which_firing(extended, said):
    folder, (tile, _) = extended
    column, value = said.split(",")
    (look,) = folder.record(f"tile,{column},stage\n{tile},{value},full\n").added
    assert (look.look, look.load, look.session) == (2, 9, 3)
    assert check_folder(folder.path).findings == ()
    row = read_firings(folder.path).table.iloc[-1]
    assert (row["temperature_degC"], row["dwell_s"]) == (801.67, 60.0)
    first = folder.plan.tiles.query("tile == @tile").iloc[0]
    assert row["total_dwell_s"] == first["dwell_s"] + 60.0


def test_a_new_tile_of_that_session_is_look_1(extended):
    folder, _ = extended
    (new, _) = folder.tiles[-2:]
    (look,) = folder.record(f"tile,session,stage\n{new},3,full\n").added
    assert (look.look, look.load) == (1, 9)


def test_a_look_without_its_number_does_not_pass_for_the_first(extended):
    folder, (tile, _) = extended
    with pytest.raises(FaultyFile) as fault:
        folder.record(f"tile,stage\n{tile},full\n")
    assert codes(fault) == ["look-twice"]
    assert "a second firing of the tile is look 2" in str(fault.value)


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ("2,1,2025-03-02", "other-load"),
        ("3,9,2025-03-02", "look-skipped"),
        ("2,9,2025-02-01", "out-of-order"),
        ("1,9,2025-03-02", "other-load"),
    ],
)
def test_what_cannot_have_been_is_named(extended, row, code):
    folder, (tile, _) = extended
    before = folder.log.read_bytes()
    with pytest.raises(FaultyFile) as fault:
        folder.record(f"tile,look,load,fired_at,dwell,stage\n{tile},{row},60,full\n")
    assert code in codes(fault)
    assert folder.log.read_bytes() == before


def test_a_session_says_nothing_of_a_tile_that_it_fires_twice(ladder):
    tiles = ladder.plan.table
    tiles.loc[tiles.index[-1], "session"] = tiles["session"].iloc[0]
    planned = dataclasses.replace(ladder.plan, tiles=tiles)
    tile, session = ladder.tiles[0], int(tiles["session"].iloc[0])
    both = tiles.query("tile == @tile")["load"].tolist()
    told = planned_firings(planned)
    assert told.look_in(tile, None, session) == 1
    assert [told.look_in(tile, load) for load in both] == [1, 2]
    assert told.look_in(tile, both[1], session) == 2


def test_only_tiles_fired_as_planned_may_be_fired_on(extended):
    folder, (tile, other) = extended
    looks = read_firings(folder.path).looks
    new = [t for t in folder.tiles if t not in set(looks["tile"])]
    assert len(new) == 2
    expected = [t for t in folder.tiles if t not in {tile, other, *new}]
    assert list(tiles_as_planned(folder.plan, looks)) == expected
    # A second observer is no second firing; a firing beyond the plan is one.
    third, fourth = expected[:2]
    folder.record(f"tile,look,stage,observer\n{tile},2,full,Kim\n{tile},2,over,Lou\n")
    folder.record(f"tile,look,load,dwell,stage\n{fourth},2,8,30,full\n")
    after = tiles_as_planned(folder.plan, read_firings(folder.path).looks)
    assert set(after) == {*expected, tile} - {fourth}
    assert third in after


def test_a_firing_beyond_the_plan_would_lose_its_number(clear):
    tile = clear.tiles[0]
    clear.record(f"tile,look,dwell,stage\n{tile},1,120,sugar\n{tile},2,30,full\n")
    assert check_folder(clear.path).findings == ()
    row = clear.plan.tiles.iloc[[0]].assign(temperature_degC=801.67, dwell_s=60.0)
    settings = row.drop(columns=["session", "load", "order", "role"])
    longer = extend_plan(clear.series, clear.plan, pd.DataFrame(settings))
    write_plan(longer, clear.path)
    assert "other-load" in [one.code for one in check_folder(clear.path).findings]
    assert tile not in tiles_as_planned(clear.plan, read_looks(clear))


def read_looks(folder):
    write_plan(folder.plan, folder.path)
    return read_firings(folder.path).looks
