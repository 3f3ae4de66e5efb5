"""Looks joined to their plan: what was read, else what was planned."""

import pandas as pd
import pytest

from firelab.errors import FaultyFile, FirelabError, RecordsInsufficient
from firelab.records.firing_log import read_firings
from firelab.series.folder import sha256_of


def test_planned_and_read_values_side_by_side(clear):
    first, second = clear.tiles[:2]
    clear.record(
        f"tile,temperature,dwell,stage\n{first},,,full\n{second},1400 F,2:40,sugar\n"
    )
    records = read_firings(clear.path)
    frame = records.table.set_index("tile")
    plan = pd.read_csv(clear.path / "plan.csv").set_index("tile")
    columns = ["session", "load", "mesh", "grain_um", "layers", "base", "role"]
    for name in columns:
        assert frame[name].tolist() == plan.loc[[first, second], name].tolist()
    assert frame["temperature_degC"].tolist() == [
        plan.loc[first, "temperature_degC"],
        760.0,
    ]
    assert frame["dwell_s"].tolist() == [plan.loc[first, "dwell_s"], 160.0]
    assert list(frame["stage"].cat.categories) == list(clear.series.responses.stage.grades)
    assert frame["stage"].cat.ordered
    assert frame["transparency"].isna().all()
    assert records.provenance.sources == {
        name: sha256_of(clear.path / name) for name in ("plan.csv", "firings.csv")
    }


def test_several_looks_at_a_tile_add_up(ladder):
    tile, other = ladder.tiles[:2]
    ladder.record(
        f"tile,look,dwell,stage\n{tile},1,1:30,sugar\n{other},1,2:00,full\n{tile},2,,full\n"
    )
    graded = read_firings(ladder.path).graded
    assert graded["tile"].tolist() == [tile, other, tile]
    # 45 s at another temperature: the first 90 s count what they are worth there,
    # without what warmed the tile up.
    first, second = ladder.plan.tiles.query("tile == @tile")["temperature_degC"]
    assert first != second
    hot = 90.0 - ladder.series.blank.warm_up_s(first)
    doublings = (first - second) / ladder.series.priors.doubling
    counted = hot * 2**doublings + 45.0
    assert graded["dwell_s"].tolist() == pytest.approx([90.0, 120.0, counted])
    assert graded["own_dwell_s"].tolist() == [90.0, 120.0, 45.0]
    assert graded["before"].tolist() == [(), (), ((first, pytest.approx(hot)),)]
    looks = read_firings(ladder.path).table
    assert looks["total_dwell_s"].tolist() == [90.0, 120.0, 90.0 + 45.0]
    assert looks["dwell_s"].tolist() == [90.0, 120.0, 45.0]
    planned = ladder.plan.tiles[ladder.plan.tiles["tile"] == tile]
    assert looks.query("tile == @tile")["load"].tolist() == planned["load"].tolist()


def test_a_load_tells_which_look_is_meant(ladder):
    tile = ladder.tiles[0]
    first, second = ladder.plan.tiles.query("tile == @tile")["load"]
    added = ladder.record(
        f"tile,load,stage\n{tile},{first},sugar\n{tile},{second},full\n"
    ).added
    assert [one.look for one in added] == [1, 2]


def test_two_observers_of_one_firing_do_not_double_its_dwell(ladder):
    tile = ladder.tiles[0]
    ladder.record(
        "tile,look,dwell,stage,observer\n"
        f"{tile},1,90,sugar,Kim\n{tile},1,,sugar,Lou\n{tile},2,60,full,Kim\n"
    )
    looks = read_firings(ladder.path).table
    assert looks["total_dwell_s"].tolist() == [90.0, 90.0, 150.0]
    assert [len(had) for had in read_firings(ladder.path).graded["before"]] == [0, 0, 1]


def test_control_tiles_and_ungraded_looks_are_no_part_of_the_fit(ladder):
    import dataclasses

    from firelab.plan.plan_files import write_plan

    tiles = ladder.plan.table
    tiles.loc[tiles["tile"] == ladder.tiles[1], "role"] = "control"
    write_plan(dataclasses.replace(ladder.plan, tiles=tiles), ladder.path)
    first, second, third = ladder.tiles[:3]
    ladder.record(f"tile,stage,defects\n{first},full,\n{second},full,\n{third},,cracked\n")
    records = read_firings(ladder.path)
    assert records.graded["tile"].tolist() == [first]
    assert len(records.table) == 3


def test_frames_are_copies(opaque):
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    records = read_firings(opaque.path)
    frame = records.table
    frame["stage"] = "sugar"
    assert records.table["stage"].tolist() == ["full"]


def test_what_is_missing_is_said(opaque):
    with pytest.raises(RecordsInsufficient, match="no look is recorded") as fault:
        read_firings(opaque.path)
    assert fault.value.exit_code == 3
    opaque.log.write_text("tile,look\nQQQ,1\n")
    with pytest.raises(FaultyFile) as faulty:
        read_firings(opaque.path)
    missing = [one for one in faulty.value.findings if one.code == "missing-column"]
    assert len(missing) == 10
    (opaque.path / "plan.csv").unlink()
    with pytest.raises(FirelabError, match=r"there is no plan\.csv"):
        read_firings(opaque.path)
