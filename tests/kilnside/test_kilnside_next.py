"""One tile at a time beside the kiln: the next firing after each grade, and why."""

import json

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.craft.trade_words import hand_rule
from firelab.craft.units import to_degF
from firelab.plan.plan_files import read_plan
from firelab.records.firing_log import read_firings
from firelab.records.folder_check import check_folder
from firelab.series.series_file import read_series

SERIES = """
schema = "firelab/series/1"
name = "One tile at a time"
invented = true
mark = "KE"
[enamel]
colour = "invented brick"
kind = "opaque"
lead = "unknown"
[factors]
temperature = ["1300 degF", "1500 degF"]
dwell = ["2 min", "2 min 30 s"]
mesh = [80]
layers = [1]
base = ["none"]
[plan]
kind = "sequential"
[budget]
blanks = 12
places = 4
"""


@pytest.fixture
def clear(tmp_path, one_at_a_time):
    """In place of the planned folder that other tests are served."""
    return one_at_a_time(tmp_path / "one", SERIES)


def ask_next(phone):
    headers = {"Authorization": f"Bearer {phone.token}"}
    status, raw, _ = phone.served.ask("GET", "/api/next", None, headers)
    return status, json.loads(raw)


def test_the_first_firing_is_told_before_any_tile(served, phone):
    state = phone.state()
    assert (state["loads"], state["one_at_a_time"]) == ([], True)
    status, card = ask_next(phone)
    assert status == 200
    # Opaques on copper at 1350 to 1400 degF (common practice, no source).
    assert 1340 <= to_degF(card["firing"]["temperature_degC"]) <= 1410
    assert card["firing"]["setting"] == "80 mesh, 1 coat, on bare metal"
    assert card["left"] == "0 looks so far, 12 blanks left."
    assert card["now"].startswith("Likeliest now: 13")
    assert "the odds of full go from" in card["why"]
    assert card["rule"] == hand_rule("degF")
    assert len(set(card["codes"])) == 4
    belief = card["belief"]
    for column in zip(*belief["probability"].values(), strict=True):
        assert sum(column) == pytest.approx(1.0, abs=4e-4)


def test_a_tile_is_planned_fired_and_followed(served, phone):
    first = ask_next(phone)[1]
    tile = first["codes"][0]
    assert phone.send("/api/next", {"tile": tile})[0] == 201
    assert phone.send("/api/next", {"tile": tile})[0] == 201, "sent again, planned once"
    (load,) = phone.state()["loads"]
    assert [one["tile"] for one in load["firings"]] == [tile]
    assert load["temperature_degC"] == first["firing"]["temperature_degC"]
    assert ask_next(phone)[1]["waiting"] == [tile]
    assert phone.look(tile, "sugar")[0] == 201
    second = ask_next(phone)[1]
    heat = [
        (one["firing"]["temperature_degC"], one["firing"]["dwell_s"])
        for one in (first, second)
    ]
    assert heat[1] > heat[0], "hotter, or as hot and longer"
    assert second["left"] == "1 look so far, 11 blanks left."
    assert second["codes"][0] == first["codes"][1]
    assert second["belief"]["tiles"] == [
        {
            "tile": tile,
            "temperature_degC": pytest.approx(load["temperature_degC"]),
            "dwell_s": first["firing"]["dwell_s"],
            "grade": "sugar",
            "here": first["firing"]["dwell_s"] == second["belief"]["dwell_s"],
        }
    ]


def test_tiles_of_a_phone_that_was_away_are_planned_as_it_fired_them(served, phone):
    codes = ask_next(phone)[1]["codes"]
    for tile, degC, grade in zip(codes, (732.22, 746.11), ("sugar", "full"), strict=False):
        sent = {"tile": tile, "temperature_degC": degC, "dwell_s": 120}
        assert phone.send("/api/next", sent)[0] == 201
        assert phone.look(tile, grade)[0] == 201
    fired = read_firings(served.folder.path).table
    assert fired["temperature_degC"].tolist() == [732.22, 746.11]
    assert fired["dwell_s"].tolist() == [120.0, 120.0]
    assert check_folder(served.folder.path).findings == ()
    plan = read_plan(served.folder.path, read_series(served.folder.path))
    assert plan.tiles["session"].tolist() == [1, 1]


def test_a_turn_that_another_phone_took_is_told(served, phone, another_phone):
    codes = ask_next(phone)[1]["codes"]
    assert phone.send("/api/next", {"tile": codes[0]})[0] == 201
    assert phone.send("/api/next", {"tile": codes[1]})[0] == 201
    status, answer, _ = another_phone.send("/api/next", {"tile": codes[3]})
    assert status == 409
    assert answer == {
        "message": f"another tile took the turn of {codes[3]}; the next one is {codes[2]}",
        "next": codes[2],
    }


def test_two_phones_that_marked_one_code_hold_two_tiles(
    served, phone, another_phone, serve_again
):
    codes = ask_next(phone)[1]["codes"]
    sent = {"tile": codes[0], "temperature_degC": 732.22, "dwell_s": 120}
    status, answer, _ = phone.send("/api/next", sent)
    assert (status, answer["load"]) == (201, 1)
    hotter = {**sent, "temperature_degC": 746.11}
    for twin in (hotter, sent):  # at another heat, and at the same
        status, answer, _ = another_phone.send("/api/next", twin)
        assert (status, answer["next"]) == (409, codes[1])
    assert phone.send("/api/next", sent)[1]["load"] == 1, "sent again by its own phone"
    # After a restart no one knows whose it was: another heat is still another tile.
    served.stop()
    anew = serve_again(served.folder)
    one, two = type(phone)(anew), type(phone)(anew, "q" * 40)
    assert two.send("/api/next", hotter)[1]["next"] == codes[1]
    assert one.send("/api/next", sent)[1]["load"] == 1
    moved = {**hotter, "tile": codes[1]}
    assert two.send("/api/next", moved)[1]["load"] == 2
    plan = read_plan(served.folder.path, read_series(served.folder.path))
    assert plan.tiles["tile"].tolist() == codes[:2]
    assert plan.tiles["temperature_degC"].tolist() == [732.22, 746.11]


def test_a_tile_planned_by_mistake_is_taken_back(served, phone, another_phone):
    folder = served.folder.path
    codes = ask_next(phone)[1]["codes"]
    phone.send("/api/next", {"tile": codes[0]})
    back = {"tile": codes[0], "change": "withdrawal"}
    assert another_phone.send("/api/next", back)[0] == 409, "it is not that phone's"
    for _ in range(2):
        assert phone.send("/api/next", back)[0] == 200, "sent again, taken back once"
        plan = read_plan(folder, read_series(folder))
        assert plan.tiles.empty
        assert (plan.preparation, plan.powder_g, plan.time_h["total"]) == ((), {}, 0.0)
    assert ask_next(phone)[1]["codes"] == codes, "the code is free again"
    assert ask_next(phone)[1]["left"] == "0 looks so far, 12 blanks left."
    for code in codes[:2]:
        assert phone.send("/api/next", {"tile": code})[0] == 201
    status, answer, _ = phone.send("/api/next", back)
    assert status == 409
    assert answer["message"] == f"tile {codes[0]} is not the last that was planned"
    phone.look(codes[1], "full")
    status, answer, _ = phone.send("/api/next", {"tile": codes[1], "change": "withdrawal"})
    assert answer == {
        "message": f"tile {codes[1]} stands in the log, so its place is kept",
        "hint": f"firelab record --tile {codes[1]} --lost 'never fired'",
    }
    assert check_folder(folder).findings == ()


def test_a_load_that_is_not_planned_yet_cannot_be_lost(served):
    words = ["record", str(served.folder.path), "--load", "1", "--lost", "shelf fell"]
    told = CliRunner().invoke(app, words)
    assert told.exit_code == 2
    assert told.stderr == "no load is planned yet\n  hint: firelab next says what to fire\n"


@pytest.mark.parametrize(
    "fields",
    [{}, {"tile": "<b>"}, {"tile": "AAA", "dwell_s": "x"}, {"tile": "AAA", "mesh": 80}],
)
def test_what_is_no_tile_is_refused(served, phone, fields):
    assert phone.send("/api/next", fields)[0] == 400
    assert phone.state()["loads"] == []
