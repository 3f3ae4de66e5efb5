"""Looks that phones send: kept once, with the care of a table that is handed over."""

import base64
import csv
import io
import itertools
import socket

from PIL import Image

from firelab.kilnside.serving import PatientProtocol
from firelab.plan.extend import extend_plan
from firelab.plan.plan_files import write_plan
from firelab.records.folder_check import check_folder
from firelab.records.photographs import clean_photo, keep_reference


def rows(served):
    return list(csv.DictReader(io.StringIO(served.folder.log.read_text())))


def test_a_look_is_on_disk_when_it_is_answered(served, phone):
    tile = served.folder.tiles[0]
    status, answer = phone.look(
        tile, "Full", "a" * 20, dwell_s=151.4, temperature_degC="1372 degF",
        transparency=7, fired_at="2025-03-01T14:05:10+01:00", note="=1+1",
    )  # fmt: skip
    assert (status, answer) == (201, {"kept": True, "entry": "a" * 20})
    (row,) = rows(served)
    assert (row["tile"], row["stage"], row["transparency"]) == (tile, "full", "7")
    assert (row["temperature_degC"], row["dwell_s"]) == ("744.44", "151.4")
    assert row["fired_at"] == "2025-03-01T14:05:10+01:00"
    assert row["note"] == "'=1+1"
    assert check_folder(served.folder.path).findings == ()
    assert phone.state()["looks"][0]["note"] == "=1+1"
    assert served.reported[0].startswith(f"{tile} look 1")


def test_sent_again_it_is_kept_once(served, phone):
    tile = served.folder.tiles[0]
    assert phone.look(tile, "full")[0] == 201
    assert phone.look(tile, "full")[0] == 200
    assert len(rows(served)) == 1


def test_two_phones_that_disagree_are_told(served, phone, another_phone):
    tile = served.folder.tiles[0]
    assert phone.look(tile, "full", observer="Kim")[0] == 201
    status, answer = another_phone.look(tile, "over", observer="Kim")
    assert status == 409
    assert "stands already" in answer["message"]
    more = {"observer": "Kim", "change": "correction", "entry": "c" * 20}
    assert another_phone.look(tile, "over", **more)[0] == 201
    assert another_phone.look(tile, "sugar", observer="Lou")[0] == 201
    assert [look["stage"] for look in phone.state()["looks"]] == ["over", "sugar"]


def test_undo_takes_a_look_back(served, phone):
    tile = served.folder.tiles[0]
    phone.look(tile, "full")
    undo = {"tile": tile, "look": 1, "change": "withdrawal", "entry": "d" * 20}
    assert phone.send("/api/looks", undo)[0] == 201
    assert phone.send("/api/looks", undo)[0] == 200
    assert phone.state()["looks"] == []
    assert len(rows(served)) == 2


def test_a_faulty_look_is_named_and_not_recorded(served, phone):
    status, answer = phone.look("QQQ", "fulll", entry="e" * 20, dwell_s=1)
    assert status == 422
    assert [one["code"] for one in answer["findings"]] == [
        "unknown-tile",
        "impossible-time",
        "grade-off-scale",
    ]
    assert phone.look(served.folder.tiles[0], "full", entry="short")[0] == 422
    assert phone.send("/api/looks", {"tile": served.folder.tiles[0]})[0] == 422
    silent = {"tile": served.folder.tiles[0], "entry": "f" * 20}
    assert phone.send("/api/looks", silent)[0] == 422
    other = {**silent, "stage": "full", "bench": "another"}
    assert phone.send("/api/looks", other)[0] == 422
    assert not served.folder.log.exists()


def test_a_fault_of_the_log_is_not_the_phone_s(served, phone):
    tile, other = served.folder.tiles[:2]
    phone.look(tile, "full")
    log = served.folder.log
    log.write_text(log.read_text().replace(",full,", ",fulll,"))
    status, answer = phone.look(other, "full")
    assert status == 503, "the phone must keep the look and try again"
    assert "not on the scale" in answer["message"]
    log.write_text(log.read_text().replace(",fulll,", ",full,"))
    assert phone.look(other, "full")[0] == 201


def test_the_state_says_loads_scales_and_looks(served, phone):
    state = phone.state()
    loads = served.folder.plan.tiles["load"].unique().tolist()
    assert [load["load"] for load in state["loads"]] == loads
    planned = sum(len(load["firings"]) for load in state["loads"])
    assert planned == len(served.folder.plan.tiles)
    grades = [grade["name"] for grade in state["series"]["grades"]]
    assert grades == list(served.folder.series.responses.stage.grades)
    assert state["series"]["score"]["direction"] == "higher is clearer"
    assert phone.state(since=state["version"]) == 204
    phone.look(served.folder.tiles[0], "full")
    assert len(phone.state(since=state["version"])["looks"]) == 1


def test_one_phone_grades_by_the_time_another_took(served, phone, another_phone):
    time = {"tile": served.folder.tiles[0], "look": 1, "load": 1, "in_at": 1740834300123}
    version = another_phone.state()["version"]
    assert phone.send("/api/timings", {**time, "dwell_s": 151.3})[0] == 200
    (shared,) = another_phone.state(since=version)["timings"]
    assert (shared["dwell_s"], shared["in_at"]) == ("151.3", "1740834300123")
    assert phone.send("/api/timings", {**time, "made": 2, "dwell_s": 152})[0] == 200
    overtaken = {**time, "made": 1}  # sent when the tile went in, come when it was out
    assert phone.send("/api/timings", overtaken)[0] == 200
    (shared,) = another_phone.state()["timings"]
    assert shared["dwell_s"] == "152"
    for fault in ({"tile": "<b>"}, {"in_at": "x"}, {"dwell_s": "-1"}, {"made": "x"}):
        assert phone.send("/api/timings", {**time, **fault})[0] == 400


def jpeg(grey=200):
    stream = io.BytesIO()
    Image.new("L", (60, 40), grey).save(stream, "JPEG")
    return clean_photo(stream.getvalue(), "a.jpg")


def test_ones_own_photographs_of_the_grades_are_on_the_page(served, phone):
    assert phone.state()["references"] == {}
    before = phone.state()["version"]
    keep_reference(served.folder.path, "full", jpeg())
    state = phone.state(since=before)
    assert list(state["references"]) == ["full"]
    shown = Image.open(io.BytesIO(base64.b64decode(state["references"]["full"])))
    assert (shown.format, shown.size) == ("JPEG", (60, 40))


def test_a_photo_is_kept_beside_the_log_once(served, phone):
    picture = jpeg()
    path = "/api/photos/" + "a" * 20
    status, answer, _ = phone.send(path, picture, "image/jpeg")
    assert (status, answer["message"]) == (404, "the photo is of no look that is recorded")
    assert phone.look(served.folder.tiles[0], "full", entry="a" * 20)[0] == 201
    status, answer, _ = phone.send(path, picture, "image/jpeg")
    assert (status, answer["name"]) == (201, f"photos/{'a' * 20}.jpg")
    assert phone.send(path, jpeg(grey=9), "image/jpeg")[0] == 201
    assert (served.folder.path / answer["name"]).read_bytes() == picture
    assert phone.send("/api/photos/..%2f..%2fseries", picture)[0] in (404, 415)
    assert phone.look(served.folder.tiles[1], "full", entry="b" * 20)[0] == 201
    assert phone.send("/api/photos/" + "b" * 20, b"<svg/>")[0] == 415
    large = b"\xff\xd8\xff" + bytes(8_000_001)
    assert phone.send("/api/photos/" + "b" * 20, large)[0] == 413
    assert len(list((served.folder.path / "photos").iterdir())) == 1


def test_a_next_session_in_the_plan_is_seen(served, phone):
    import dataclasses

    from firelab.plan.plan_files import write_plan

    tiles = served.folder.plan.table
    tiles.loc[0, "base"] = "other base"
    before = phone.state()["version"]
    write_plan(dataclasses.replace(served.folder.plan, tiles=tiles), served.folder.path)
    after = phone.state()
    assert after["version"] != before
    assert "other base" in after["loads"][0]["firings"][0]["setting"]


def test_six_phones_at_once_lose_nothing(served, phone):
    import threading

    tiles = served.folder.tiles[:24]
    phone.look(tiles[0], "full")
    answers = []

    def record(part):
        for tile in tiles[part::6]:
            answers.append(phone.look(tile, "full", observer="")[0])

    people = [threading.Thread(target=record, args=(part,)) for part in range(6)]
    for one in people:
        one.start()
    for one in people:
        one.join()
    assert sorted(answers) == [200] + [201] * 23
    assert sorted(row["tile"] for row in rows(served)) == sorted(tiles)
    assert check_folder(served.folder.path).findings == ()


def test_a_tile_fired_on_is_shown_with_its_look_and_what_it_had(served, phone):
    folder = served.folder
    row = folder.plan.tiles.iloc[[0]][
        ["temperature_degC", "dwell_s", "mesh", "layers", "base", "tile"]
    ]
    tile = folder.tiles[0]
    assert phone.look(tile, "sugar")[0] == 201
    # 801.67 degC is 1475 degF.
    settings = row.assign(temperature_degC=801.67, dwell_s=45.0)
    write_plan(extend_plan(folder.series, folder.plan, settings), folder.path)
    load = phone.state()["loads"][-1]
    assert (load["load"], load["session"], load["words"]) == (9, 3, "1475 °F (802 °C)")
    (firing,) = load["firings"]
    assert (firing["tile"], firing["look"], firing["dwell_s"]) == (tile, 2, 45.0)
    assert firing["setting"].endswith(", fired on after 1525 °F (829 °C) 2 min")
    first = phone.state()["loads"][0]["firings"][0]
    assert "fired on" not in first["setting"]
    assert phone.look(tile, "full", look=2, load=9, entry="g" * 20)[0] == 201
    status, answer = phone.look(tile, "full", look=2, load=1, entry="h" * 20)
    assert (status, answer["findings"][0]["code"]) == (422, "other-load")
    assert [(one["load"], one["session"]) for one in rows(served)] == [
        ("1", "1"),
        ("9", "3"),
    ]
    assert check_folder(folder.path).findings == ()


def test_a_phone_sends_no_more_than_its_photos(served, phone, another_phone, monkeypatch):
    monkeypatch.setattr("firelab.kilnside.server.MOST_PHOTOS", 2)
    assert phone.look(served.folder.tiles[0], "full", entry="a" * 20)[0] == 201
    sent = [
        phone.send("/api/photos/" + "a" * 20, jpeg(), "image/jpeg")[0] for _ in range(3)
    ]
    assert sent == [201, 201, 429]
    path = "/api/photos/" + "a" * 20
    assert another_phone.send(path, jpeg(), "image/jpeg")[0] == 201


def test_a_slip_is_asked_back_on_every_phone_until_it_is_confirmed(
    served, phone, another_phone
):
    tile = served.folder.tiles[0]
    assert phone.look(tile, "full", dwell_s=1200, observer="Kim")[0] == 201
    (doubt,) = another_phone.state()["doubts"]
    assert doubt["message"].startswith(f"tile {tile} look 1 was in for 20 min, planned ")
    (look,) = another_phone.state()["looks"]
    assert look["entry"] == doubt["entry"]
    sent = {**look, "entry": "b" * 20, "change": "confirmation"}
    assert another_phone.send("/api/looks", sent)[0] == 201
    assert phone.state()["doubts"] == []


def test_tiles_are_listed_to_be_graded_in_an_order_of_their_own(served, phone):
    order, fired = phone.state()["order"], served.folder.tiles
    assert sorted(order) == sorted(fired)
    beside = sum(
        abs(fired.index(one) - fired.index(other)) == 1
        for one, other in itertools.pairwise(order)
    )
    assert beside <= 7


def test_a_tile_lost_on_a_phone_is_no_look(served, phone):
    tile = served.folder.tiles[0]
    lost = {"tile": tile, "look": 1, "change": "lost", "note": "dropped"}
    assert phone.send("/api/looks", {**lost, "entry": "c" * 20})[0] == 201
    assert served.reported[-1].endswith(": lost, dropped")
    assert phone.look(tile, "full")[0] == 409


def test_a_head_that_never_ends_is_cut_off(served, monkeypatch):
    monkeypatch.setattr(PatientProtocol, "headers_within_s", 0.3)
    for begun in (b"", b"GET / HTTP/1.1\r\nX: y\r\n"):
        with socket.create_connection(("127.0.0.1", served.port), 10) as line:
            line.sendall(begun)
            line.settimeout(10)
            assert line.recv(100) == b""
    assert served.ask("GET", "/")[0] == 403, "others are served"
