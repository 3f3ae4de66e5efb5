"""Lost tiles, ruined loads, a kiln that read wrong, and looks without a table."""

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile
from firelab.plan.plan_files import read_plan
from firelab.records.firing_log import read_firings, read_log
from firelab.records.folder_check import check_folder

RUN = CliRunner()


def run(*words):
    return RUN.invoke(app, [str(word) for word in words])


def standing(folder):
    log = read_log(folder.path, folder.series, folder.planned)
    assert log.findings == ()
    return log.standing


def tiles_of_load(folder, number):
    return folder.plan.tiles.loc[folder.plan.tiles["load"] == number, "tile"].tolist()


def test_a_tile_lost_before_it_was_fired_is_no_look(opaque):
    first, second = opaque.tiles[:2]
    told = run("record", opaque.path, "--tile", first, "--lost", "dropped")
    assert told.stdout.startswith(f"{first} look 1, load 1: lost, dropped\n")
    opaque.record(f"tile,stage\n{second},full\n")
    records = read_firings(opaque.path)
    assert records.table["tile"].tolist() == [second]
    assert records.lost == {first}
    assert f"1 look at 1 tile; lost: {first}" in run("check", opaque.path).stderr
    with pytest.raises(FaultyFile) as fault:
        opaque.record(f"tile,stage\n{first},full\n")
    (finding,) = fault.value.findings
    assert "(full) stands already at firings.csv:2 (lost)" in finding.message
    assert run("record", opaque.path, "--tile", first, "--withdraw").exit_code == 0
    opaque.record(f"tile,stage\n{first},full\n")
    assert read_firings(opaque.path).lost == frozenset()


def test_a_tile_lost_after_its_look_keeps_it_and_cannot_be_fired_on(opaque):
    first, second = opaque.tiles[:2]
    opaque.record(f"tile,stage\n{first},sugar\n{second},sugar\n")
    told = run("record", opaque.path, "--tile", first, "--lost", "label gone")
    assert f"{first} look 2" in told.stdout
    records = read_firings(opaque.path)
    assert records.table["stage"].tolist() == ["sugar", "sugar"]
    graded = records.graded.set_index("tile")
    assert graded.loc[first, "last_look"] != graded.loc[first, "look"]
    assert graded.loc[second, "last_look"] == graded.loc[second, "look"]
    with pytest.raises(FaultyFile) as fault:
        opaque.record(f"tile,look,dwell,stage\n{first},3,1:00,full\n")
    assert str(fault.value.findings[0]) == (
        f"looks.csv:2 look 3 at tile {first}, which was lost at look 2 (firings.csv:4)\n"
        f"  hint: if it was found again: firelab record --tile {first} --look 2 --withdraw"
    )


def test_a_table_may_say_that_a_tile_was_lost(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage\n{tile},full\n")
    opaque.record(f"tile,change,note\n{tile},lost,cracked in the drawer\n")
    assert [(one.look, one.stage, one.change) for one in standing(opaque)] == [
        (1, "full", ()),
        (2, "", ("lost",)),
    ]


def test_a_ruined_load_is_one_command(opaque):
    here, other = tiles_of_load(opaque, 2), tiles_of_load(opaque, 1)[0]
    opaque.record(f"tile,stage\n{here[0]},full\n{other},full\n")
    told = run("record", opaque.path, "--load", 2, "--lost", "door left open")
    assert told.exit_code == 0, told.stderr
    assert f"{len(here)} looks added" in told.stdout
    assert f"{here[0]} look 1, load 2: lost, door left open" in told.stdout
    records = read_firings(opaque.path)
    assert records.table["tile"].tolist() == [other]
    assert records.lost == set(here)
    again = run("record", opaque.path, "--load", 2, "--lost", "door left open")
    assert again.exit_code == 2
    assert "every tile of load 2 is lost already" in again.stderr
    assert check_folder(opaque.path).findings == ()


def test_a_load_that_is_not_planned_is_named(opaque):
    told = run("record", opaque.path, "--load", 40, "--lost", "power cut")
    assert told.exit_code == 2
    last = opaque.plan.tiles["load"].max()
    assert told.stderr == (
        f"load 40 is not in the plan\n  hint: the plan has loads 1 to {last}\n"
    )


def test_a_kiln_that_read_wrong_is_corrected_by_further_rows(opaque):
    tiles = opaque.tiles
    rows = [f"{tile},full,2025-03-0{1 + place}" for place, tile in enumerate(tiles[:3])]
    opaque.record("tile,stage,fired\n" + "\n".join(rows) + "\n")
    before = read_firings(opaque.path).table["temperature_degC"].tolist()
    words = ["--kiln-read", "12 degF too high", "--since", "2025-03-02"]
    told = run("record", opaque.path, *words)
    assert told.exit_code == 0, told.stderr
    assert "2 looks added" in told.stdout
    assert "full, kiln read 12 °F too high (corrected)" in told.stdout
    after = read_firings(opaque.path).table["temperature_degC"].tolist()
    # 12 degF apart are 12/1.8 degC (NIST SP 811, B.8)
    assert [round(b - a, 1) for b, a in zip(before, after, strict=True)] == [0, 6.7, 6.7]
    again = run("record", opaque.path, *words)
    assert again.exit_code == 2
    assert "no look is meant" in again.stderr
    assert check_folder(opaque.path).doubts == ()
    opaque.record(f"tile,stage\n{tiles[1]},over\n", correct=True)
    looks = {one.tile: one for one in standing(opaque)}
    assert looks[tiles[1]].temperature_degC == pytest.approx(after[1], abs=0.01)
    assert "offset" in looks[tiles[1]].change


def test_what_was_confirmed_stays_so_when_the_kiln_read_wrong(opaque):
    tile = opaque.tiles[0]
    run("record", opaque.path, "--tile", tile, "--stage", "full", "--dwell", "20:00")
    run("record", opaque.path, "--tile", tile, "--confirm")
    told = run("record", opaque.path, "--kiln-read", "12 degF high")
    assert told.exit_code == 0, told.stderr
    assert "to be confirmed" not in told.stdout
    assert check_folder(opaque.path).doubts == ()
    (look,) = standing(opaque)
    planned = opaque.plan.tiles.set_index("tile")["temperature_degC"]
    # 12 degF apart are 12/1.8 degC (NIST SP 811, B.8)
    assert look.temperature_degC == pytest.approx(planned[tile] - 12 / 1.8, abs=0.01)
    assert (look.stage, look.dwell_s) == ("full", 1200)


def test_sessions_of_a_kiln_that_read_wrong(clear):
    first = clear.plan.tiles.drop_duplicates("session").set_index("session")["tile"]
    assert len(first) > 1
    opaque_rows = "\n".join(f"{tile},full" for tile in first)
    clear.record(f"tile,stage\n{opaque_rows}\n")
    words = ["--kiln-read", "12 degF too high", "--sessions", "2-3"]
    told = run("record", clear.path, *words)
    assert told.exit_code == 0, told.stderr
    assert f"{sum(first.index.isin([2, 3]))} look" in told.stdout
    moved = [one for one in standing(clear) if "offset" in one.change]
    planned = clear.plan.tiles.set_index("tile")["temperature_degC"]
    for one in moved:
        assert one.session in (2, 3)
        # 12 degF apart are 12/1.8 degC (NIST SP 811, B.8)
        true = planned[one.tile] - 12 / 1.8
        assert one.temperature_degC == pytest.approx(true, abs=0.01)


@pytest.mark.parametrize("words", ["12 degF", "high", "12 high", "soon"])
def test_how_the_kiln_read_wrong_must_be_plain(opaque, words):
    told = run("record", opaque.path, "--kiln-read", words)
    assert told.exit_code == 2
    assert told.stderr == (
        f"{words!r} does not say by how much the kiln read wrong\n"
        '  hint: write such as --kiln-read "12 °F high" or "5 °C low"\n'
    )


def test_one_load_without_a_table(clear):
    here = tiles_of_load(clear, 1)[:3]
    grades = f"{here[0]} full 7; {here[1]} orange peel, {here[2]} over"
    words = ["--grades", grades, "--load", 1, "--observer", "Kim"]
    told = run("record", clear.path, *words, "--fired-at", "2025-03-01")
    assert told.exit_code == 0, told.stderr
    looks = standing(clear)
    assert [(one.tile, one.stage, one.transparency) for one in looks] == [
        (here[0], "full", 7.0),
        (here[1], "orange peel", None),
        (here[2], "over", None),
    ]
    assert {(one.observer, one.fired_at) for one in looks} == {("Kim", "2025-03-01")}


def test_lost_tiles_are_planned_again_once(opaque):
    here = tiles_of_load(opaque, 2)
    assert run("next", opaque.path, "--replace").exit_code == 3
    run("record", opaque.path, "--load", 2, "--lost", "door left open")
    told = run("next", opaque.path, "--add")
    offered = f"to plan their settings again: firelab next {opaque.path} --replace"
    assert f"lost without a grade: {', '.join(here)}; {offered}" in told.stderr
    assert "there is no fit yet" in told.stderr
    told = run("next", opaque.path, "--replace")
    assert told.exit_code == 0, told.stderr
    plan = read_plan(opaque.path, opaque.series)
    names = ["temperature_degC", "dwell_s", "mesh", "layers", "base"]
    old, new = (
        plan.table[rows][names].sort_values(names).values.tolist()
        for rows in (plan.table["load"] == 2, plan.table["session"] > 1)
    )
    assert new == old
    assert (
        f"new tiles {', '.join(sorted(set(plan.table['tile'].iloc[12:])))}" in told.stderr
    )
    assert plan.notes[-1] == f"Replaces lost tiles: {', '.join(here)}."
    assert run("next", opaque.path, "--replace").exit_code == 3
