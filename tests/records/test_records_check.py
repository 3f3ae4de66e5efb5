"""`firelab check` and `firelab record` as a person types them."""

import io
import json
import re

import openpyxl
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.errors import FaultyFile
from firelab.records.folder_check import check_folder
from firelab.records.trace_file import read_trace
from firelab.series.folder import Provenance, json_text, sha256_of
from firelab.series.series_file import series_hash

RUN = CliRunner()


def run(*words, **more):
    return RUN.invoke(app, [str(word) for word in words], **more)


def codes(folder):
    return [one.code for one in check_folder(folder.path).findings]


def test_each_state_of_a_folder_says_what_comes_next(tmp_path, opaque):
    fresh = tmp_path / "jar"
    assert run("new", fresh, "--from", "quick-look").exit_code == 0
    told = run("check", fresh)
    assert told.exit_code == 1
    assert told.stderr.splitlines()[-2:] == [
        "series.toml:11 enamel.colour: 'name of the colour' is not a name yet",
        '  hint: write what you call it: colour = "marsh green"',
    ]
    text = (fresh / "series.toml").read_text(encoding="utf-8")
    named = text.replace("name of the colour", "heron")
    (fresh / "series.toml").write_text(named, encoding="utf-8")
    told = run("check", fresh)
    assert told.exit_code == 0
    assert told.stdout.strip() == f"no faults; next: firelab plan {fresh}"
    assert "firelab sheets" in run("check", opaque.path).stdout
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    told = run("check", opaque.path)
    assert "firelab fit" in told.stdout
    assert "firings.csv: 1 look at 1 tile" in told.stderr


def test_a_series_that_no_plan_can_serve_is_told_before_planning(tmp_path):
    fresh = tmp_path / "jar"
    assert run("new", fresh, "--from", "quick-look").exit_code == 0
    file = fresh / "series.toml"
    text = re.sub(r"(?m)^blanks = \d+", "blanks = 1", file.read_text())
    file.write_text(text)
    told = run("check", fresh)
    assert told.exit_code == 1
    line = 1 + text[: text.index("blanks = 1")].count("\n")
    assert f"series.toml:{line} budget.blanks: 1 blank;" in told.stderr
    assert "nearest possible:" in told.stderr


def test_no_series_is_said(tmp_path):
    told = run("check", tmp_path)
    assert told.exit_code == 1
    assert "there is no series here" in told.stderr


@pytest.mark.parametrize(
    "words",
    [
        *("check", "plan", "sheets", "fit", "windows", "next", "report"),
        *("record --tile AAA --stage full", "pack --licence CC0-1.0"),
    ],
)
def test_a_mistyped_folder_is_told_its_neighbour(tmp_path, words):
    (tmp_path / "marsh-green").mkdir()
    told = run(*words.split(), tmp_path / "marsh-gren")
    assert told.exit_code == 1
    assert "marsh-gren: there is no series here\n" in told.stderr
    assert "hint: did you mean marsh-green?" in told.stderr


def test_a_folder_that_ends_with_a_number_has_a_separator_behind_it(tmp_path):
    told = run("fit", tmp_path / "jar-2")
    assert "jar-2: there is no series here\n" in told.stderr


def test_faults_of_all_files_at_once(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage\n{tile},full\n")
    opaque.log.write_text(opaque.log.read_text().replace(",full,", ",ful,"))
    (opaque.path / "traces").mkdir()
    (opaque.path / "traces" / "load-1.csv").write_text(
        "time_s,temperature_degC\n0,700\n5,7000\n5,x\n5,710\n4,712\n"
    )
    made_of = Provenance(
        series_hash=series_hash(opaque.path),
        seed=1,
        versions={},
        sources={"firings.csv": "0" * 64},
    )
    fit = {"schema": "firelab/fit/1", "provenance": made_of.to_dict()}
    (opaque.path / "fit.json").write_text(json_text(fit))
    (opaque.path / "windows.json").write_text("{")
    assert codes(opaque) == [
        "grade-off-scale",
        "impossible-temperature",
        "not-a-number",
        "time-backwards",
        "stale",
        "damaged",
    ]
    told = run("check", opaque.path, "--json")
    assert told.exit_code == 1
    found = json.loads(told.stdout)["findings"]
    assert found[0]["line"] == 2 and found[0]["file"] == "firings.csv"
    assert found[4]["message"] == "is stale: firings.csv, traces changed since it was made"
    assert found[1]["file"] == "traces/load-1.csv"


def test_a_result_of_what_stands_is_not_stale(opaque):
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    made_of = Provenance(
        series_hash=series_hash(opaque.path),
        seed=1,
        versions={},
        sources={"firings.csv": sha256_of(opaque.log)},
    )
    (opaque.path / "fit.json").write_text(json_text({"provenance": made_of.to_dict()}))
    assert codes(opaque) == []
    assert "firelab windows" in run("check", opaque.path).stdout
    opaque.record(f"tile,stage\n{opaque.tiles[1]},full\n")
    assert codes(opaque) == ["stale"]


def test_a_plan_of_another_series_is_called_stale(opaque):
    path = opaque.path / "series.toml"
    path.write_text(path.read_text().replace("seed = 3301", "seed = 3302"))
    (finding,) = check_folder(opaque.path).findings
    assert finding.code == "stale-plan"
    assert "firelab plan" in finding.hint
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    (finding,) = check_folder(opaque.path).findings
    assert "put that back as it was" in finding.hint


def test_looks_without_their_plan_are_named(opaque):
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    (opaque.path / "plan.csv").unlink()
    (opaque.path / "plan.json").unlink()
    assert codes(opaque) == ["no-plan"]


def test_a_faulty_series_names_every_line(opaque):
    path = opaque.path / "series.toml"
    path.write_text(path.read_text().replace('"1500 degF"', '"1500"').replace("12", '"x"'))
    assert len(codes(opaque)) == 2


def test_a_trace_is_read(tmp_path):
    path = tmp_path / "load.csv"
    path.write_text("time_s;temperature_degC\n0;700,5\n10;720\n")
    trace = read_trace(path)
    assert trace.time_s.tolist() == [0.0, 10.0]
    assert trace.temperature_degC.tolist() == [700.5, 720.0]
    path.write_text("time_s;temperature_degC\n0;700,5\n")
    with pytest.raises(FaultyFile, match="fewer than 2"):
        read_trace(path)


def test_a_file_is_recorded(opaque, tmp_path):
    table = tmp_path / "looks.csv"
    table.write_text(f"tile;grade\n{opaque.tiles[0]};full\n{opaque.tiles[1]};\n")
    told = run("record", table, opaque.path, "--dry-run")
    assert told.exit_code == 0
    assert "1 look would be added" in told.stdout
    assert not opaque.log.exists()
    told = run("record", table, opaque.path)
    assert f"{opaque.tiles[0]} look 1, load 1: full" in told.stdout
    assert "left out: 1 row with nothing on the tile (line 3)" in told.stdout
    again = run("record", table, opaque.path, "--json")
    content = json.loads(again.stdout)
    assert (content["added"], len(content["already"])) == ([], 1)


def test_faults_go_to_stderr_with_exit_1_or_to_json(opaque, tmp_path):
    table = tmp_path / "looks.csv"
    table.write_text(f"tile,grade\n{opaque.tiles[0]},ful\n")
    told = run("record", table, opaque.path)
    assert (told.exit_code, told.stdout) == (1, "")
    assert told.stderr == (
        "looks.csv:2 stage: grade 'ful' is not on the scale: sugar, orange peel, full, "
        "over\n  hint: did you mean 'full'?\n"
    )
    told = run("record", table, opaque.path, "--json")
    assert json.loads(told.stdout)["findings"][0]["code"] == "grade-off-scale"


def test_a_pasted_table_and_a_workbook(opaque, tmp_path):
    told = run("record", "-", opaque.path, input=f"tile\tgrade\n{opaque.tiles[0]}\tfull\n")
    assert told.exit_code == 0, told.stderr
    book = openpyxl.Workbook()
    book.active.append(["tile", "grade"])
    book.active.append([opaque.tiles[1], "over"])
    raw = io.BytesIO()
    book.save(raw)
    (tmp_path / "looks.xlsx").write_bytes(raw.getvalue())
    assert run("record", tmp_path / "looks.xlsx", opaque.path).exit_code == 0


def test_one_by_one_corrected_and_withdrawn(opaque):
    tile = opaque.tiles[0]
    words = ["--tile", tile, "--stage", "full", "--dwell", "2:30", "--observer", "Kim"]
    assert run("record", opaque.path, *words).exit_code == 0
    told = run("record", opaque.path, "--tile", tile, "--stage", "over")
    assert told.exit_code == 1
    assert "stands already at firings.csv:2" in told.stderr
    words = ["--tile", tile, "--stage", "over", "--correct", "--by", "Lou"]
    told = run("record", opaque.path, *words)
    assert "over by Kim (corrected)" in told.stdout
    assert run("record", opaque.path, "--tile", tile, "--withdraw").exit_code == 0
    assert "firelab sheets" in run("check", opaque.path).stdout
    assert codes(opaque) == []


def test_neither_file_nor_look_is_a_wrong_use(opaque):
    assert run("record", opaque.path).exit_code == 2
    assert run("record", opaque.log, opaque.path, "--tile", "AAA").exit_code == 2
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    told = run("record", opaque.log, opaque.path)
    assert told.exit_code == 2
    assert "is the log itself" in told.stderr


def test_a_file_that_is_not_there(opaque, tmp_path):
    told = run("record", tmp_path / "none.csv", opaque.path)
    assert told.exit_code == 1
    assert "no such file" in told.stderr
    assert "Traceback" not in told.stderr


def test_a_moment_of_recording_can_be_given(opaque):
    run("record", opaque.path, "--tile", opaque.tiles[0], "--stage", "full",
        "--recorded-at", "2025-03-01 14:05")  # fmt: skip
    assert "2025-03-01T14:05:00" in opaque.log.read_text()


def test_a_photograph_of_a_look_that_is_not_there_is_named(opaque):
    opaque.record(f"tile,stage\n{opaque.tiles[0]},full\n")
    photos = opaque.path / "photos"
    photos.mkdir()
    entry = opaque.log.read_text().strip().rsplit(",", 1)[1]
    for stem in (entry, "tile-AAA"):
        (photos / f"{stem}.jpg").write_bytes(b"\xff\xd8\xff")
    assert "photo-without-look" not in codes(opaque)
    (photos / f"{'b' * 20}.jpg").write_bytes(b"\xff\xd8\xff")
    (finding,) = check_folder(opaque.path).findings
    assert finding.code == "photo-without-look"
    assert finding.file == f"photos/{'b' * 20}.jpg"
