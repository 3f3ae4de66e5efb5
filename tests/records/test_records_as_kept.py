"""Words and tables as people keep them."""

import io

import openpyxl
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile
from firelab.plan.plan import rack_places
from firelab.records.firing_log import read_firings, read_log
from firelab.records.folder_check import check_folder
from firelab.records.look import LATER_COLUMNS
from firelab.records.recording import read_table, record_table
from firelab.series.series_file import read_series

RUN = CliRunner()


def run(*words):
    return RUN.invoke(app, [str(word) for word in words])


def faults(folder, text):
    with pytest.raises(FaultyFile) as fault:
        folder.record(text)
    return fault.value.findings


def workbook(sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


@pytest.mark.parametrize(
    ("written", "grade"),
    [
        ("full fire", "full"),
        ("Full-Fire", "full"),
        ("over-fired", "over"),
        ("overfired", "over"),
        ("burnt", "over"),
        ("OP", "orange peel"),
        ("op", "orange peel"),
        ("O.P.", "orange peel"),
        ("orange-peel", "orange peel"),
        ("sugary", "sugar"),
        ("3 full", "full"),
        ("3. full", "full"),
        ("2 OP", "orange peel"),
        ("4) over-fired", "over"),
    ],
)
def test_words_for_grades(opaque, written, grade):
    (look,) = opaque.record(f"tile,grade\n{opaque.tiles[0]},{written}\n").added
    assert look.stage == grade


@pytest.mark.parametrize(
    ("written", "message", "hint"),
    [
        (
            "2 full",
            "stage: grade '2 full': full is number 3 of the scale",
            "write 'full', or another grade",
        ),
        (
            "ful",
            "stage: grade 'ful' is not on the scale: sugar, orange peel, full, over",
            "did you mean 'full'?",
        ),
        (
            "burnd",
            "stage: grade 'burnd' is not on the scale: sugar, orange peel, full, over",
            "did you mean 'over'?",
        ),
        (
            "toasted",
            "stage: grade 'toasted' is not on the scale: sugar, orange peel, full, over",
            "use a grade of the scale; what it means can be put under "
            "[responses.stage.words] in series.toml",
        ),
        (
            "3",
            "stage: grade '3' is not on the scale: sugar, orange peel, full, over",
            "use a grade of the scale; what it means can be put under "
            "[responses.stage.words] in series.toml",
        ),
    ],
)
def test_words_that_are_refused(opaque, written, message, hint):
    (found,) = faults(opaque, f"tile,grade\n{opaque.tiles[0]},{written}\n")
    assert (found.message, found.hint) == (message, hint)


def test_a_series_may_have_words_of_its_own(opaque):
    path = opaque.path / "series.toml"
    text = path.read_text()
    path.write_text(text + '\n[responses.stage.words]\nover = ["toasted", "well done"]\n')
    series = read_series(opaque.path)
    table = read_table(f"tile,grade\n{opaque.tiles[0]},Well-done\n".encode(), "looks.csv")
    added = record_table(
        opaque.path, table, series, opaque.plan, recorded_at="2025-03-01T14:05:00+00:00"
    ).added
    assert [one.stage for one in added] == ["over"]
    path.write_text(text + '\n[responses.stage.words]\nburnt = ["toasted"]\n')
    with pytest.raises(FaultyFile) as fault:
        read_series(opaque.path)
    assert "words for 'burnt', which is no grade" in str(fault.value)


@pytest.mark.parametrize("word", ["lost", "Dropped", "label gone", "cracked"])
def test_a_loss_under_grade_is_a_loss(opaque, word):
    (look,) = opaque.record(f"tile,grade\n{opaque.tiles[0]},{word}\n").added
    assert (look.stage, look.change, look.note) == ("", ("lost",), word)


@pytest.mark.parametrize("above", [1, 5, 9])
def test_a_header_within_the_first_ten_rows(opaque, above):
    title = "".join(f"Test firing of {place} March,,\n" for place in range(1, above + 1))
    text = f"{title}tile,grade,note\n{opaque.tiles[0]},full,\n{opaque.tiles[1]},ful,\n"
    (found,) = faults(opaque, text)
    assert (found.line, found.column) == (above + 3, 2)
    assert len(opaque.record(text.replace("ful,", "full,")).added) == 2


def test_a_header_beyond_the_tenth_row_is_not_looked_for(opaque):
    text = "x,y\n" * 10 + f"tile,grade\n{opaque.tiles[0]},full\n"
    assert sorted(one.code for one in faults(opaque, text)) == [
        "missing-column",
        "unknown-column",
        "unknown-column",
    ]


def test_columns_that_repeat_the_plan_are_held_against_it(clear):
    row = clear.plan.tiles.iloc[0]
    names = "tile,mesh,coats,base,role,order,set temperature F,planned dwell,colour,grade"
    degF = round(row["temperature_degC"] * 1.8 + 32)
    cells = [row["tile"], f"{row['mesh']} mesh", row["layers"], row["base"], row["role"]]
    cells += [row["order"], degF, f"{row['dwell_s']:g}", clear.series.enamel.colour, "full"]
    text = ",".join(map(str, cells))
    assert len(clear.record(f"{names}\n{text}\n").added) == 1
    found = faults(clear, f"tile,mesh,grade\n{clear.tiles[1]},999,full\n")
    mesh = clear.plan.tiles.set_index("tile").loc[clear.tiles[1], "mesh"]
    assert str(found[0]) == (
        f"looks.csv:2 mesh 999, but tile {clear.tiles[1]} is planned with {mesh}\n"
        "  hint: is it the right tile? correct the tile or this cell"
    )
    (found,) = faults(clear, f"tile,colour,grade\n{clear.tiles[1]},rose,full\n")
    assert found.message == (
        f"colour: 'rose', but this series is of {clear.series.enamel.colour!r}"
    )


def test_a_tile_that_stood_elsewhere_is_fitted_where_it_stood(clear):
    """The log keeps the place, asks it back, and what the fit takes follows it."""
    first, second = clear.tiles[:2]
    planned = rack_places(clear.plan)
    loads = clear.plan.tiles.set_index("tile")["load"]
    places = {tile: planned[tile, loads[tile]] for tile in (first, second)}
    rows = [f"{first},{places[first] + 1},full", f"{second},{places[second]},full"]
    recorded = clear.record("tile,rack place,grade\n" + "\n".join(rows) + "\n")
    assert [look.place for look in recorded.added] == [places[first] + 1, places[second]]
    (doubt,) = recorded.doubts
    assert doubt.message == (
        f"tile {first} look 1 stood at place {places[first] + 1} of the rack, "
        f"planned {places[first]}"
    )
    assert doubt.hint.endswith(f"--correct --place {places[first]}")
    looks = read_firings(clear.path).counted.set_index("tile")
    assert looks["rack_place"].to_dict() == {
        first: places[first] + 1,
        second: places[second],
    }
    again = clear.record(f"tile,grade\n{first},full\n")
    assert (len(again.added), len(again.already)) == (0, 1)
    clear.record(f"tile,place\n{first},{places[first]}\n", correct=True)
    looks = read_firings(clear.path).counted.set_index("tile")
    assert looks.loc[first, "rack_place"] == places[first]
    assert check_folder(clear.path).findings == ()


def test_a_log_begun_before_later_columns_goes_on(clear):
    """Its rows are kept, the old form is laid aside, and a torn last row is cut off."""
    first, second = clear.tiles[:2]
    clear.record(f"tile,grade\n{first},full\n")
    path = clear.path / "firings.csv"
    rows = [row.split(",") for row in path.read_text().splitlines()]
    kept = [at for at, name in enumerate(rows[0]) if name not in LATER_COLUMNS]
    old = "\n".join(",".join(row[at] for at in kept) for row in rows) + "\n"
    path.write_text(old + f"{second},1,1")
    assert read_firings(clear.path).table["tile"].tolist() == [first]
    clear.record(f"tile,grade,place\n{second},sugar,7\n")
    assert path.read_text().splitlines()[:2] == [",".join(row) for row in rows]
    assert read_firings(clear.path).counted["rack_place"].tolist()[1] == 7
    assert len(list((clear.path / "firings-kept").glob("firings-*.csv"))) == 1


def test_a_column_for_each_observer(clear):
    first, second, third = clear.tiles[:3]
    text = (
        "tile,Kim,grade (Lou),clarity Kim,dwell\n"
        f"{first},full,OP,7,2:00\n{second},,over,,2:10\n{third},,,,\n"
    )
    recorded = clear.record(text)
    assert [
        (one.tile, one.observer, one.stage, one.transparency) for one in recorded.added
    ] == [
        (first, "Kim", "full", 7.0),
        (first, "Lou", "orange peel", None),
        (second, "Lou", "over", None),
    ]
    assert recorded.left_out == (4,)


def test_a_fault_under_an_observer_is_named_once(clear):
    first, second = clear.tiles[:2]
    text = f"tile,Kim,Lou,dwell\n{first},full,full,2:00\n{second},ful,over,1 s\n"
    assert [(one.code, one.line, one.column) for one in faults(clear, text)] == [
        ("grade-off-scale", 3, 2),
        ("impossible-time", 3, 4),
    ]


def test_several_sheets_are_named_and_one_can_be_chosen(opaque, tmp_path):
    first, second = opaque.tiles[:2]
    head = ["tile", "grade"]
    sheets = {
        "Kim": [head, [first, "full"]],
        "ideas": [["more borax?"]],
        "Lou": [head, [second, "over"]],
    }
    path = tmp_path / "looks.xlsx"
    path.write_bytes(workbook(sheets))
    told = run("record", path, opaque.path)
    assert told.stderr == (
        'looks.xlsx holds tables of looks on 2 sheets: "Kim", "Lou"\n'
        '  hint: record one after the other, first with: --sheet "Kim"\n'
    )
    told = run("record", path, opaque.path, "--sheet", "Lou")
    assert f"{second} look 1" in told.stdout
    assert f'{path}: sheet "Lou" is read; left: Kim, ideas' in told.stderr
    told = run("record", path, opaque.path, "--sheet", "Mo")
    assert 'has no sheet "Mo"' in told.stderr
    del sheets["Lou"]
    path.write_bytes(workbook({"ideas": sheets["ideas"], "Kim": sheets["Kim"]}))
    assert f"{first} look 1" in run("record", path, opaque.path).stdout


@pytest.mark.parametrize(
    ("written", "date"),
    [
        ("27/11/2026", "2026-11-27"),
        ("11/27/2026", "2026-11-27"),
        ("27-11-2026", "2026-11-27"),
        ("5/5/2026", "2026-05-05"),
        ("3.4.2026", "2026-04-03"),
        ("27/11/2026 9:05", "2026-11-27T09:05:00"),
        ("2026-11-27 14:05", "2026-11-27T14:05:00"),
        ("27 Nov 2026", "2026-11-27"),
        ("27-Nov-26", "2026-11-27"),
        ("3. April 2026", "2026-04-03"),
        ("Sept. 3, 2026", "2026-09-03"),
    ],
)
def test_dates_that_cannot_be_another(opaque, written, date):
    text = f'tile,grade,date\n{opaque.tiles[0]},full,"{written}"\n'
    assert opaque.record(text).added[0].fired_at == date


@pytest.mark.parametrize("written", ["31 Nov 2026", "3 Marble 2026", "27/11/26"])
def test_what_is_no_date_is_refused(opaque, written):
    text = f"tile,grade,date\n{opaque.tiles[0]},full,{written}\n"
    (found,) = faults(opaque, text)
    assert found.message == (
        f"fired_at: {written!r} is not a date and time from 1990 to 2100"
    )


def test_a_date_that_may_be_two_is_asked_for(opaque):
    (found,) = faults(opaque, f"tile,grade,date\n{opaque.tiles[0]},full,03/04/2026\n")
    assert found.message == "fired_at: '03/04/2026' may be 2026-04-03 or 2026-03-04"
    assert found.hint == 'write "2026-04-03" or "2026-03-04"'


@pytest.mark.parametrize(
    "written",
    ["1,450 F", "1450 º F", "1450º F", "1450 fahrenheit", "1.450 °F", "1450 Fahr."],
)
def test_temperatures_as_written(opaque, written):
    text = f'tile;grade;temperature\n{opaque.tiles[0]};full;"{written}"\n'
    # 1450 degF is 787.78 degC (NIST SP 811, B.8)
    assert opaque.record(text).added[0].temperature_degC == 787.78


@pytest.mark.parametrize(
    "written",
    [
        "2½ min",
        "2 ½ min",
        "2 1/2 min",
        "2'30''",
        "2m30s",
        "2'30",
        "2'30\"",
        "2′30″",
        "2 min. 30 sec.",
        "2 min 30",
        "2.5 min.",
    ],
)
def test_dwells_as_written(opaque, written):
    quoted = written.replace('"', '""')
    text = f'tile;grade;dwell\n{opaque.tiles[0]};full;"{quoted}"\n'
    assert opaque.record(text).added[0].dwell_s == 150.0


def test_two_minutes_with_a_full_stop(opaque):
    text = f"tile,grade,dwell\n{opaque.tiles[0]},full,2 min.\n"
    assert opaque.record(text).added[0].dwell_s == 120.0


@pytest.mark.parametrize(
    ("written", "seconds"), [("1/2 min", 30), ("1 3/4 min", 105), ("1/3 min", 20)]
)
def test_fractions_as_typed(opaque, written, seconds):
    text = f"tile,grade,dwell\n{opaque.tiles[0]},full,{written}\n"
    assert opaque.record(text).added[0].dwell_s == seconds


def test_names_of_columns_as_written(opaque):
    head = "Tile no.,Result,Kiln temp (F),Time in,Initials,Date fired,Remarks"
    text = f"{head}\n{opaque.tiles[0]},full,1450,2:30,KM,2026-11-27,nice\n"
    (look,) = opaque.record(text).added
    assert (look.tile, look.stage, look.temperature_degC) == (
        opaque.tiles[0],
        "full",
        787.78,
    )
    assert (look.dwell_s, look.observer) == (150.0, "KM")
    assert (look.fired_at, look.note) == ("2026-11-27", "nice")


def test_one_message_for_one_kind_of_fault_with_its_rows(opaque, tmp_path):
    rows = "".join(f"{tile},toasted\n" for tile in opaque.tiles)
    path = tmp_path / "looks.csv"
    path.write_text("tile,grade\n" + rows)
    told = run("record", path, opaque.path)
    numbers = ", ".join(str(line) for line in range(2, 14))
    assert told.stderr.splitlines()[0] == (
        f"looks.csv:{numbers} stage: grade 'toasted' is not on the scale: sugar, orange "
        "peel, full, over"
    )
    assert len(told.stderr.splitlines()) == 2
    rows = "".join(f"{tile},{place}\n" for place, tile in enumerate(opaque.tiles))
    path.write_text("tile,temperature\n" + rows)
    lines = run("record", path, opaque.path).stderr.splitlines()
    assert len(lines) == 7
    assert lines[-1] == "looks.csv:5, 6, 7, 8, 9, 10, 11, 12, 13 the same kind of fault"


def test_no_guess_below_a_high_similarity(opaque):
    (found,) = faults(opaque, f"tile,grade,weather\n{opaque.tiles[0]},full,dry\n")
    assert found.hint.startswith("remove it; known are tile, look")
    (found,) = faults(opaque, "tile,grade\nQQQ,full\n")
    assert found.hint == "look at the plan"


def test_a_fixed_table_is_written_filled_in_and_recorded(opaque, tmp_path):
    first, second, third = opaque.tiles[:3]
    path, fixed = tmp_path / "looks.csv", tmp_path / "fixed.csv"
    path.write_text(
        f"Code;Grade;Temp (F);Time\n{first};full fire;1,450;2½ min\n"
        f"{second};toasted;1450;2'30\nQQQ;OP;;soon\n"
    )
    told = run("record", path, opaque.path, "--fixed", fixed)
    assert told.exit_code == 1
    assert f"wrote {fixed}: fill in what is blank, then record it" in told.stderr
    assert fixed.read_text() == (
        "tile,temperature_degC,dwell_s,stage,unread\n"
        f"{first},787.78,150,full,\n"
        f"{second},787.78,150,,stage: toasted\n"
        ",,,orange peel,tile: QQQ; dwell_s: soon\n"
    )
    told = run("record", fixed, opaque.path)
    assert "unread: 'stage: toasted' waits to be written into its own column" in told.stderr
    text = fixed.read_text().replace(",,stage: toasted", ",over,")
    text = text.replace(
        ",,,orange peel,tile: QQQ; dwell_s: soon", f"{third},,130,orange peel,"
    )
    fixed.write_text(text)
    assert run("record", fixed, opaque.path).exit_code == 0
    log = read_log(opaque.path, opaque.series, opaque.planned)
    assert [one.stage for one in log.standing] == ["full", "over", "orange peel"]
    assert run("record", path, opaque.path, "--fixed", path).exit_code == 2
    path.write_text("weather,grade\ndry,full\n")
    fixed.unlink()
    told = run("record", path, opaque.path, "--fixed", fixed)
    assert f"{fixed} is not written: no column names the tiles" in told.stderr
    assert not fixed.exists()
