"""A damaged plan file is told with file, line and remedy; a wrong plan in findings."""

import dataclasses

import pytest

from firelab.errors import FaultyFile, FirelabError
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import read_plan, write_plan
from firelab.plan.plan_rows import plan_findings
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("clear-transparent"))
PLAN = make_plan(SERIES, series_hash="0" * 64)


def changed(**columns):
    tiles = PLAN.table
    for name, (row, value) in columns.items():
        tiles.loc[row, name] = value
    return dataclasses.replace(PLAN, tiles=tiles)


def codes(plan):
    return {(finding.code, finding.line) for finding in plan_findings(SERIES, plan)}


def test_no_plan_is_told(tmp_path):
    with pytest.raises(FirelabError, match=r"there is no plan\.csv"):
        read_plan(tmp_path, SERIES)


def test_what_cannot_be_written_leaves_no_half_of_a_plan(tmp_path):
    figures = {**PLAN.figures, "shift_sd": float("nan")}
    with pytest.raises(ValueError, match="nan"):
        write_plan(dataclasses.replace(PLAN, figures=figures), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_all_damaged_cells_are_told_at_once(tmp_path):
    write_plan(PLAN, tmp_path)
    path = tmp_path / "plan.csv"
    lines = path.read_text().splitlines()
    lines[1] = lines[1].replace(lines[1].split(",")[0], "AEA", 1)
    cells = lines[3].split(",")
    cells[4], cells[10] = "hot", "guess"
    lines[3] = ",".join(cells)
    lines[5] = "only,two"
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(FaultyFile) as told:
        read_plan(tmp_path, SERIES)
    assert [(f.line, f.column) for f in told.value.findings] == [
        (2, 1),
        (4, 5),
        (4, 11),
        (6, 1),
    ]
    assert "'hot' is not a number" in str(told.value)


@pytest.mark.parametrize(
    ("text", "code"),
    [("{", "plan-json"), ("[]", "plan-schema"), ('{"schema": "x/1"}', "plan-schema")],
)
def test_damaged_json_is_told(tmp_path, text, code):
    write_plan(PLAN, tmp_path)
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(FaultyFile) as told:
        read_plan(tmp_path, SERIES)
    assert [f.code for f in told.value.findings] == [code]


def test_missing_column_is_told(tmp_path):
    write_plan(PLAN, tmp_path)
    path = tmp_path / "plan.csv"
    path.write_text(path.read_text().replace("dwell_s", "minutes", 1))
    with pytest.raises(FaultyFile, match="lacks the column dwell_s"):
        read_plan(tmp_path, SERIES)


def test_a_sound_plan_has_no_findings():
    assert plan_findings(SERIES, PLAN) == []


def test_a_load_of_two_temperatures_is_read_and_found(tmp_path):
    wrong = changed(temperature_degC=(1, 700.0))
    write_plan(wrong, tmp_path)
    found = codes(read_plan(tmp_path, SERIES))
    assert ("load-temperatures", 3) in found


def test_wrong_levels_rules_and_numbers_are_found():
    assert ("unknown-mesh", 4) in codes(changed(mesh=(2, 200)))
    assert ("unknown-base", 4) in codes(changed(base=(2, "blue")))
    assert ("temperature", 2) in codes(changed(temperature_degC=(0, 1400.0)))
    assert ("plan-order", 0) in codes(changed(order=(0, 7)))
    hot = PLAN.table.query("temperature_degC > 820 and layers == 1 and dwell_s > 150")
    row = int(hot.index[0])
    assert ("forbidden", row + 2) in codes(changed(layers=(row, 2)))


def test_too_many_tiles_in_load_and_session_are_found():
    tiles = PLAN.table
    tiles.loc[tiles["load"] == 2, "load"] = 1
    tiles["temperature_degC"] = 760.0
    tiles["session"] = 1
    found = {code for code, _ in codes(dataclasses.replace(PLAN, tiles=tiles))}
    assert {"load-places", "session-loads"} <= found


def test_a_tile_twice_in_a_load_and_a_mixed_tile_are_found():
    tiles = PLAN.table
    tiles.loc[1, "tile"] = tiles.loc[0, "tile"]
    tiles.loc[1, "mesh"] = 80 if tiles.loc[0, "mesh"] == 150 else 150
    found = codes(dataclasses.replace(PLAN, tiles=tiles))
    assert {("tile-twice", 3), ("tile-settings", 3)} <= found


def test_a_budget_overdrawn_is_found():
    budget = dataclasses.replace(SERIES.budget, blanks=10, grams={80: 5.0})
    found = plan_findings(dataclasses.replace(SERIES, budget=budget), PLAN)
    words = " ".join(str(one) for one in found)
    assert "blanks: 30 needed, 10 there, 20 short" in words
    assert "powder of 80 mesh" in words
