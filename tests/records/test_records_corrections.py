"""Corrections are further rows that supersede, with who and when."""

import dataclasses

import pytest

from firelab.errors import FaultyFile
from firelab.records.firing_log import read_firings, read_log

LATER = "2025-03-02T09:00:00+00:00"


def standing(folder):
    log = read_log(folder.path, folder.series, folder.planned)
    assert log.findings == ()
    return log.standing


def test_a_correction_supersedes_and_edits_nothing(clear):
    tile = clear.tiles[0]
    clear.record(f"tile,dwell,stage,score,observer\n{tile},2:30,full,7,Kim\n")
    before = clear.log.read_bytes()
    clear.record(
        f"tile,stage\n{tile},over\n", correct=True, recorded_by="Lou", recorded_at=LATER
    )
    assert clear.log.read_bytes().startswith(before)
    (look,) = standing(clear)
    assert (look.stage, look.transparency, look.dwell_s) == ("over", 7.0, 150.0)
    assert (look.observer, look.recorded_by, look.recorded_at) == ("Kim", "Lou", LATER)
    assert look.change == ("correction",)
    records = read_firings(clear.path)
    assert records.table["stage"].tolist() == ["over"]


def test_a_correction_that_changes_nothing_is_not_added(clear):
    tile = clear.tiles[0]
    clear.record(f"tile,stage\n{tile},full\n")
    again = clear.record(f"tile,stage\n{tile},full\n", correct=True)
    assert (len(again.added), len(again.already)) == (0, 1)


def test_a_whole_table_is_corrected_where_it_differs(opaque):
    first, second, third = opaque.tiles[:3]
    opaque.record(f"tile,stage\n{first},full\n{second},full\n")
    table = f"tile,stage\n{first},over\n{second},full\n{third},sugar\n"
    recorded = opaque.record(table, correct=True)
    assert [one.change for one in recorded.added] == [("correction",), ()]
    assert len(recorded.already) == 1
    assert {one.tile: one.stage for one in standing(opaque)} == {
        first: "over",
        second: "full",
        third: "sugar",
    }


def test_a_withdrawal_takes_a_look_back_and_lets_it_be_recorded_anew(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage\n{tile},full\n")
    opaque.record(f"tile,change\n{tile},withdrawal\n")
    assert standing(opaque) == ()
    opaque.record(f"tile,stage\n{tile},sugar\n")
    assert [one.stage for one in standing(opaque)] == ["sugar"]
    assert len(opaque.log.read_text().splitlines()) == 4


def test_a_change_of_nothing_and_an_unclear_one_are_named(opaque):
    tile = opaque.tiles[0]
    with pytest.raises(FaultyFile) as fault:
        opaque.record(f"tile,change\n{tile},withdrawal\n")
    assert fault.value.findings[0].code == "nothing-to-change"
    opaque.record(f"tile,stage,observer\n{tile},full,Kim\n{tile},over,Lou\n")
    with pytest.raises(FaultyFile) as fault:
        opaque.record(f"tile,stage,change\n{tile},sugar,correction\n")
    (found,) = fault.value.findings
    assert found.code == "unclear-change"
    assert "Kim, Lou" in found.message
    opaque.record(f"tile,stage,change,observer\n{tile},sugar,correction,lou\n")
    assert [one.stage for one in standing(opaque)] == ["full", "sugar"]


def test_the_name_of_the_only_observer_can_be_corrected(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage,observer\n{tile},full,Kmi\n")
    opaque.record(f"tile,observer\n{tile},Kim\n", correct=True)
    assert [(one.observer, one.stage) for one in standing(opaque)] == [("Kim", "full")]


def test_a_correction_leaves_a_moved_tile_where_it_was_fired(opaque):
    tile = opaque.tiles[0]
    other = int(opaque.plan.tiles["load"].iloc[-1])
    opaque.record(f"tile,load,stage,change\n{tile},{other},full,moved\n")
    opaque.record(f"tile,stage\n{tile},over\n", correct=True)
    (look,) = standing(opaque)
    assert (look.load, look.stage, set(look.change)) == (
        other,
        "over",
        {"correction", "moved"},
    )


def test_rows_sent_twice_with_their_entry_are_kept_once(opaque):
    tile = opaque.tiles[0]
    entry = "a" * 20
    text = f"tile,stage,entry\n{tile},full,{entry}\n"
    opaque.record(text)
    opaque.record(f"tile,change\n{tile},withdrawal\n")
    late = opaque.record(text)
    assert (late.added, len(late.already)) == ((), 1)
    assert standing(opaque) == ()


def test_a_row_says_what_it_holds(opaque):
    (look,) = opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n").added
    fields = {field.name for field in dataclasses.fields(look)} - {"line"}
    assert set(look.to_dict()) == fields
