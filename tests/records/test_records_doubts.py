"""What is recorded and asked back until it is confirmed or corrected."""

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.craft.units import format_duration
from firelab.records.firing_log import read_firings
from firelab.records.folder_check import check_folder

RUN = CliRunner()


def run(*words):
    return RUN.invoke(app, [str(word) for word in words])


def grade_all(folder, **changed):
    """Record a clean series: every planned firing full, but for rows given by tile."""
    rows = [
        changed.get(tile, f"{tile},,,full,,")
        for tile in dict.fromkeys(folder.plan.tiles["tile"])
    ]
    header = "tile,dwell,temperature,stage,observer,fired_at\n"
    return folder.record(header + "\n".join(rows) + "\n")


def planned(folder, tile):
    return folder.plan.tiles.set_index("tile").loc[tile]


def test_a_clean_series_is_not_asked_back(opaque):
    assert grade_all(opaque).doubts == ()
    found = check_folder(opaque.path)
    assert (found.findings, found.doubts) == ((), ())


def test_a_slip_typed_into_a_clean_series_is_named_until_it_is_confirmed(opaque):
    tile = opaque.tiles[3]
    was = format_duration(planned(opaque, tile)["dwell_s"])
    (doubt,) = grade_all(opaque, **{tile: f"{tile},20:00,,full,,"}).doubts
    command = f"firelab record {opaque.path} --tile {tile} --look 1"
    assert str(doubt) == (
        f"firings.csv:5 tile {tile} look 1 was in for 20 min, planned {was}\n"
        f"  hint: if it is so: {command} --confirm\n"
        f"  if not: {command} --correct --dwell '{was}'"
    )
    told = run("check", opaque.path)
    assert told.exit_code == 1
    assert "no faults; 1 look to be confirmed; next: firelab fit" in told.stdout
    assert str(doubt) in told.stderr
    assert read_firings(opaque.path).table["dwell_s"].max() == 1200, "recorded all the same"
    told = run("record", opaque.path, "--tile", tile, "--confirm")
    assert f"{tile} look 1" in told.stdout and "(confirmed)" in told.stdout
    assert "to be confirmed" not in told.stdout
    assert run("check", opaque.path).exit_code == 0
    assert read_firings(opaque.path).table["dwell_s"].max() == 1200
    again = run("record", opaque.path, "--tile", tile, "--confirm")
    assert "already there, and left as they were: 1 look" in again.stdout


def test_a_corrected_slip_is_no_longer_asked_back(opaque):
    tile = opaque.tiles[3]
    grade_all(opaque, **{tile: f"{tile},20:00,,full,,"})
    told = run("record", opaque.path, "--tile", tile, "--correct", "--dwell", "2:00")
    assert "to be confirmed" not in told.stdout
    assert check_folder(opaque.path).doubts == ()
    run("record", opaque.path, "--tile", tile, "--confirm")
    run("record", opaque.path, "--tile", tile, "--correct", "--dwell", "20:00")
    (doubt,) = check_folder(opaque.path).doubts
    assert doubt.code == "far-dwell", "a confirmed look that is changed is asked again"


@pytest.mark.parametrize(("share", "codes"), [(1.5, []), (1.52, ["far-dwell"])])
def test_half_as_long_again_is_the_limit(opaque, share, codes):
    tile = opaque.tiles[0]
    dwell = share * planned(opaque, tile)["dwell_s"]
    recorded = opaque.record(f"tile,dwell_s,stage\n{tile},{dwell:g},full\n")
    assert [one.code for one in recorded.doubts] == codes


def test_a_temperature_far_from_the_plan_is_asked_back(opaque):
    tile = opaque.tiles[0]
    degF = round(planned(opaque, tile)["temperature_degC"] * 1.8 + 32)
    assert opaque.record(f"tile,temp F,stage\n{tile},{degF + 20},full\n").doubts == ()
    text = f"tile,temp F,stage\n{tile},{degF + 21},full\n"
    (doubt,) = opaque.record(text, correct=True).doubts
    assert doubt.code == "far-temperature"
    assert f"was fired at {degF + 21} °F (" in doubt.message
    assert f"load 1 is planned at {degF} °F (" in doubt.message
    assert f"--correct --temperature '{degF} °F'" in doubt.hint


def test_two_tiles_of_one_load_apart_are_asked_back(opaque):
    load = opaque.plan.tiles[opaque.plan.tiles["load"] == 1]
    first, second = load["tile"].iloc[:2]
    degF = round(load["temperature_degC"].iloc[0] * 1.8 + 32)
    text = f"tile,temp F,stage\n{first},{degF - 15},full\n{second},{degF + 15},full\n"
    (doubt,) = opaque.record(text).doubts
    assert doubt.code == "uneven-load"
    assert f"tile {second} look 1 was fired at {degF + 15} °F" in doubt.message
    assert f"tile {first} of the same load 1 at {degF - 15} °F" in doubt.message


def test_one_slip_of_a_temperature_is_asked_back_once(opaque):
    load = opaque.plan.tiles[opaque.plan.tiles["load"] == 1]
    first, second = load["tile"].iloc[:2]
    degF = round(load["temperature_degC"].iloc[0] * 1.8 + 32)
    text = f"tile,temp F,stage\n{first},{degF + 40},full\n{second},{degF},full\n"
    (doubt,) = opaque.record(text).doubts
    assert (doubt.code, doubt.line) == ("far-temperature", 2)
    # Once it is said to be so, the two cannot both be of one load.
    confirmed = opaque.record(f"tile,change\n{first},confirmation\n")
    assert [one.code for one in confirmed.doubts] == ["uneven-load"]


def test_a_grade_that_goes_back_on_a_tile_fired_on_is_asked_back(ladder):
    tile = ladder.tiles[0]
    text = f"tile,look,stage\n{tile},1,full\n{tile},2,orange peel\n"
    (doubt,) = ladder.record(text).doubts
    assert (doubt.code, doubt.line) == ("grade-backwards", 3)
    assert doubt.message == (
        f"tile {tile} look 2 is 'orange peel', after 'full' at look 1: fired on, glass "
        "goes no grade back"
    )
    assert ladder.record(f"tile,look,stage\n{tile},2,over\n", correct=True).doubts == ()


def test_two_people_two_grades_apart_are_asked_back(opaque):
    first, second = opaque.tiles[:2]
    text = (
        f"tile,observer,stage\n{first},Kim,sugar\n{first},Lou,full\n"
        f"{second},Kim,sugar\n{second},Lou,orange peel\n"
    )
    (doubt,) = opaque.record(text).doubts
    assert (doubt.code, doubt.line) == ("observers-apart", 3)
    assert doubt.message == f"tile {first} look 1 is 'full' to Lou and 'sugar' to Kim"
    told = run("record", opaque.path, "--tile", first, "--observer", "Lou", "--confirm")
    assert told.exit_code == 0, told.stderr
    assert check_folder(opaque.path).doubts == ()


def test_a_dwell_that_two_people_repeat_is_asked_once(opaque):
    tile = opaque.tiles[0]
    text = f"tile,observer,dwell,stage\n{tile},Kim,20:00,full\n{tile},Lou,20:00,full\n"
    assert [one.line for one in opaque.record(text).doubts] == [2]
    run("record", opaque.path, "--tile", tile, "--observer", "Lou", "--confirm")
    assert check_folder(opaque.path).doubts == ()


@pytest.mark.parametrize(
    ("fired", "codes"),
    [
        ("2025-03-01", []),
        ("2025-03-02", ["future-date"]),
        ("2025-03-01T15:00:00+00:00", []),
        ("2025-03-01T15:10:00+00:00", ["future-date"]),
        ("2025-03-01T15:10:00+01:00", []),
        ("2052-03-01", ["future-date"]),
    ],
)
def test_a_date_in_the_future_is_asked_back(opaque, fired, codes):
    # recorded at 2025-03-01T14:05:00+00:00
    text = f"tile,stage,fired_at\n{opaque.tiles[0]},full,{fired}\n"
    assert [one.code for one in opaque.record(text).doubts] == codes


def test_a_dry_run_asks_too_and_names_no_line(opaque):
    tile = opaque.tiles[0]
    recorded = opaque.record(f"tile,dwell,stage\n{tile},20:00,full\n", dry_run=True)
    assert [(one.code, one.line) for one in recorded.doubts] == [("far-dwell", 0)]
    assert not opaque.log.exists()


def test_what_the_fit_finds_unlikely_is_asked_back(opaque):
    plan = opaque.plan.tiles.drop_duplicates("tile").sort_values("temperature_degC")
    grades = ("sugar", "orange peel", "full", "over")
    rows = {
        tile: f"{tile},,,{grades[4 * place // len(plan)]},Kim,"
        for place, tile in enumerate(plan["tile"])
    }
    slip = plan["tile"].iloc[0]
    rows[slip] = f"{slip},,,over,Kim,"
    assert grade_all(opaque, **rows).doubts == ()
    assert run("check", opaque.path).exit_code == 0, "no one can tell without a fit"
    told = run("fit", opaque.path)
    assert f"Look at tile {slip} again (look 1): over was written, sugar expected." in (
        told.stdout
    )
    (doubt,) = check_folder(opaque.path).doubts
    command = f"firelab record {opaque.path} --tile {slip} --look 1 --observer Kim"
    line = opaque.tiles.index(slip) + 2
    assert str(doubt) == (
        f"firings.csv:{line} tile {slip} look 1 is 'over'; the fit expects 'sugar' there\n"
        f"  hint: if it is so: {command} --confirm\n"
        f"  if not: {command} --correct --stage sugar"
    )
    told = run("check", opaque.path)
    assert told.exit_code == 1 and str(doubt) in told.stderr
    asked_back = f"Look at tile {slip} again (look 1)"
    assert asked_back in run("windows", opaque.path).stdout
    told = run("record", opaque.path, "--tile", slip, "--confirm")
    assert "to be confirmed" not in told.stdout
    assert check_folder(opaque.path).doubts == ()
    # Odd as it is it is true: a tile that scattered, and no slip of any fit.
    assert "again (look 1)" not in run("fit", opaque.path).stdout
    assert asked_back not in run("windows", opaque.path).stdout
    assert check_folder(opaque.path).doubts == ()
