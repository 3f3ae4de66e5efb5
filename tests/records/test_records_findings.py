"""Every fault of a table at once, each with its place, both values and remedy."""

import pytest

from firelab.craft.tile_codes import tile_code
from firelab.errors import FaultyFile


def faults(folder, text, **more):
    before = folder.log.read_bytes() if folder.log.exists() else None
    with pytest.raises(FaultyFile) as fault:
        folder.record(text, **more)
    after = folder.log.read_bytes() if folder.log.exists() else None
    assert before == after, "a faulty table changed the log"
    return fault.value.findings


def said(findings):
    return [(one.code, one.line, one.column, one.message, one.hint) for one in findings]


def test_every_kind_of_fault_in_one_table(clear):
    first, second, third = clear.tiles[:3]
    load = int(clear.plan.tiles["load"].iloc[0])
    text = (
        "tile,load,session,temperature_degC,dwell_s,stage,transparency,fired_at,note\n"
        f"{first},{load + 1},,1400,,full,7,,\n"
        f"{second},,9,760,150,orange peal,7.5,yesterday,\n"
        f"{third},,,760,2.5,full,11,,a\x07b\n"
        f"{first},,,,,over,,,\n"
        "AEA,,,760,150,full,7,,\n"
    )
    found = faults(clear, text)
    assert said(found) == [
        (
            "other-load",
            2,
            2,
            f"load {load + 1}, but look 1 at tile {first} is planned in load {load}",
            "correct the load or the look; if the tile was truly fired there, write moved "
            "in a column change",
        ),
        (
            "impossible-temperature",
            2,
            4,
            "temperature_degC: 1400 degC (2552 degF) is outside 480 to 1000 degC; read as "
            "degF it is 760 degC",
            'if degF was meant, write "1400 degF"',
        ),
        (
            "other-session",
            3,
            3,
            f"session 9, but look 1 at tile {second} is planned in session 1",
            "correct the session or the look; if the tile was truly fired there, write "
            "moved in a column change",
        ),
        (
            "grade-off-scale",
            3,
            6,
            "stage: grade 'orange peal' is not on the scale: sugar, orange peel, full, "
            "over",
            "did you mean 'orange peel'?",
        ),
        (
            "score-off-scale",
            3,
            7,
            "transparency: score 7.5 is between the steps of the scale, 0 to 10 in steps "
            "of 1",
            "7 or 8?",
        ),
        (
            "impossible-date",
            3,
            8,
            "fired_at: 'yesterday' is not a date and time from 1990 to 2100",
            'write "2025-03-01" or "2025-03-01 14:05"',
        ),
        (
            "impossible-time",
            4,
            5,
            "dwell_s: 2.5 s is outside 10 s to 60 min; read as minutes it is 150 s",
            'if minutes were meant, write "2.5 min"',
        ),
        (
            "score-off-scale",
            4,
            7,
            "transparency: score 11 is off the scale, 0 to 10 in steps of 1",
            "higher is clearer",
        ),
        (
            "faulty-text",
            4,
            9,
            "note: character 2 is the control character U+0007",
            "type the text again",
        ),
        (
            "look-twice",
            5,
            0,
            f"look 1 at tile {first} (over) stands already at looks.csv:2 (full, 7)",
            "leave one out; a second firing of the tile is look 2; to correct what stands: "
            "firelab record with --correct",
        ),
        (
            "unknown-tile",
            6,
            1,
            "tile: tile code 'AEA' fails its check symbol: AE ends in X, and no tile AEA "
            "is planned",
            "look at the back of the tile again; did you mean AAA or AEX?",
        ),
    ]


def test_a_true_code_of_another_plan_is_told_from_a_misread_one(opaque):
    (found,) = faults(opaque, f"tile,stage\n{tile_code(1000)},full\n")
    assert "is a true code but not of this plan" in found.message
    assert found.hint == (
        "was it fired beyond the plan? firelab next --add (or firelab plan --add 1) gives "
        "the next code: mark the tile with that, and record it with --temperature and "
        "--dwell as it was fired"
    )


@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_symbol_wrong_names_the_tile_that_was_meant(opaque, place):
    right = opaque.tiles[4]
    wrong = next(
        right[:place] + symbol + right[place + 1 :]
        for symbol in "AEFHKLNTXY4"
        if right[:place] + symbol + right[place + 1 :] not in opaque.tiles
        and symbol != right[place]
    )
    (found,) = faults(opaque, f"tile,stage\n{wrong},full\n")
    assert found.code == "unknown-tile"
    assert right in found.hint


def test_columns_wrong_missing_and_twice(opaque):
    found = faults(opaque, "tile,grade,stage,weather,fired_at,obsrver\nAAA,full,full,,,\n")
    assert [(one.code, one.column) for one in found] == [
        ("column-twice", 3),
        ("unknown-column", 4),
        ("unknown-column", 6),
    ]
    assert found[2].hint == "did you mean observer?"
    (found,) = faults(opaque, "grade,load\nfull,1\n")
    assert (found.code, found.message) == ("missing-column", "column tile is missing")


def test_cells_beyond_the_last_column(opaque):
    found = faults(opaque, f"tile,stage,note\n{opaque.tiles[0]},full,pits, many\n")
    assert [(one.code, one.column) for one in found] == [("cell-too-many", 4)]


def test_a_look_twice_in_one_table_names_both_lines(opaque):
    tile = opaque.tiles[0]
    (found,) = faults(opaque, f"tile,stage\n{tile},full\n{tile},full\n")
    assert (found.code, found.line) == ("look-twice", 3)
    assert "looks.csv:2" in found.message


def test_a_look_that_stands_in_the_log_names_its_line(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage\n{tile},full\n")
    (found,) = faults(opaque, f"tile,stage\n{tile},over\n")
    assert found.code == "look-twice"
    assert "firings.csv:2 (full)" in found.message


def test_the_same_table_again_adds_nothing(opaque):
    text = "tile,stage\n" + "".join(f"{tile},full\n" for tile in opaque.tiles)
    assert len(opaque.record(text).added) == 12
    before = opaque.log.read_bytes()
    again = opaque.record(text)
    assert (len(again.added), len(again.already)) == (0, 12)
    assert opaque.log.read_bytes() == before


def test_a_dry_run_says_what_would_be_added(opaque):
    recorded = opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n", dry_run=True)
    assert [one.stage for one in recorded.added] == ["full"]
    assert not opaque.log.exists()


def test_two_people_may_grade_one_firing_and_one_person_not_twice(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage,observer\n{tile},full,Kim\n{tile},over,Lou\n")
    (found,) = faults(opaque, f"tile,stage,observer\n{tile},over,kim\n")
    assert found.code == "look-twice"
    (found,) = faults(opaque, f"tile,stage\n{tile},sugar\n")
    assert found.code == "look-twice"


def test_one_firing_has_one_dwell(opaque):
    tile = opaque.tiles[0]
    (found,) = faults(
        opaque, f"tile,stage,observer,dwell\n{tile},full,Kim,150\n{tile},full,Lou,165\n"
    )
    assert found.code == "two-dwells"
    assert "165 s here and 150 s at looks.csv:2" in found.message


def test_a_score_where_none_is_scored(opaque):
    (found,) = faults(opaque, f"tile,stage,score\n{opaque.tiles[0]},full,7\n")
    assert found.code == "score-off-scale"
    assert "scores no transparency" in found.message


def test_looks_skipped_or_out_of_order(ladder):
    tile = ladder.tiles[0]
    (found,) = faults(ladder, f"tile,look,stage\n{tile},2,full\n")
    assert (found.code, found.message) == (
        "look-skipped",
        f"look 2 at tile {tile}, but look 1 is not recorded",
    )
    (found,) = faults(
        ladder,
        "tile,look,stage,fired_at\n"
        f"{tile},1,sugar,2025-03-01 15:00\n{tile},2,full,2025-03-01 14:00\n",
    )
    assert found.code == "out-of-order"
    assert "2025-03-01T14:00" in found.message and "2025-03-01T15:00" in found.message


def test_a_look_beyond_the_plan_needs_its_dwell(opaque):
    tile = opaque.tiles[0]
    (found,) = faults(opaque, f"tile,look,stage\n{tile},1,sugar\n{tile},2,full\n")
    assert found.code == "impossible-time"
    text = f"tile,look,stage,dwell\n{tile},1,sugar,\n{tile},2,full,60 s\n"
    assert len(opaque.record(text).added) == 2


def test_a_tile_fired_elsewhere_says_moved(opaque):
    tile = opaque.tiles[0]
    other = int(opaque.plan.tiles["load"].iloc[-1])
    text = f"tile,load,stage,change\n{tile},{other},full,moved\n"
    (look,) = opaque.record(text).added
    assert look.load == other
    (found,) = faults(opaque, f"tile,load,stage,change\n{opaque.tiles[1]},77,full,moved\n")
    assert found.code == "other-load"


def test_a_faulty_log_takes_no_more_looks(opaque):
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    opaque.log.write_text(opaque.log.read_text().replace(",full,", ",fullish,"))
    (found,) = faults(opaque, f"tile,stage\n{opaque.tiles[1]},full\n")
    assert (found.code, found.file, found.line) == ("grade-off-scale", "firings.csv", 2)
