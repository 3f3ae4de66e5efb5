"""An added load is one page; kiln sheets are full; preparation is counted in loads."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.tile_codes import tile_code
from firelab.kilnside.bench import series_dict
from firelab.plan.extend import extend_plan
from firelab.plan.make_plan import make_plan
from firelab.sheets.labels import LabelStock
from firelab.sheets.sheet_set import make_sheets


def on_pages(lines, title):
    pages = {line.page for line in lines if line.text.startswith(title)}
    assert pages, title
    return [line for line in lines if line.page in pages]


def added_load(bench):
    """Four tiles of one load, two with a base and one of them in two coats."""
    rows = [bench.row(n, 1, n + 1) for n in range(4)]
    more = {"session": 2, "temperature_degC": 787.78}
    rows += [
        bench.row(4, 2, 5, base="none", **more),
        bench.row(5, 2, 6, layers=2, **more),
        bench.row(6, 2, 7, dwell_s=165.0, **more),
        bench.row(7, 2, 8, base="none", mesh=150, **more),
    ]
    return bench.plan_like(rows)


@pytest.mark.parametrize("page", ["a4", "letter"])
def test_an_added_load_of_four_tiles_is_one_page(bench, printed_lines, tidy, page):
    plan = added_load(bench)
    tiles = plan.tiles[plan.tiles["session"] == 2]["tile"].tolist()
    pdf = make_sheets(replace(bench.series, mark="KE"), plan, session=2, page=page)
    tidy.check(pdf)
    assert {line.page for line in printed_lines} == {1}
    texts = [line.text for line in printed_lines]
    assert {"1", "2", "3", "4", "5", "6"} <= set(texts), "steps count from 1"
    counter = next(text for text in texts if "counter-enamel, back" in text)
    assert counter.endswith("2 min: 4 tiles, 1 load.")
    twice = next(text for text in texts if text.startswith("Sift test coat"))
    assert twice.endswith(f"1 tile, 1 load (KE-{tiles[1]}).")
    for tile in tiles:  # on its label, on the load, and to be graded
        assert texts.count(f"KE-{tile}") == 3
    assert "Graded" not in texts and "graded by" in texts
    fold = next(n for n, text in enumerate(texts) if "Fold back along" in text)
    assert not re.search(r"°|min|mesh", " ".join(texts[fold + 2 :])), "graded blind"
    together = " ".join(texts)
    for name, words in CAUTIONS:
        assert f"{name}: {words}" in together
    assert DEFERENCE in together


def test_an_added_load_on_label_stock_has_a_page_of_labels(bench, printed_lines):
    stock = LabelStock(width_mm=63.5, height_mm=38.1)
    make_sheets(bench.series, added_load(bench), session=2, label_stock=stock)
    assert {line.page for line in printed_lines} == {1, 2}


def test_a_session_of_two_full_loads_has_all_its_sheets(bench, printed_lines):
    rows = [bench.row(n, 1 + n // 4, 1 + n) for n in range(8)]
    make_sheets(bench.series, bench.plan_like(rows), session=1)
    assert {line.text for line in printed_lines} >= {"Tray map until cool", "Record sheet"}


@pytest.mark.parametrize("page", ["a4", "letter"])
@pytest.mark.parametrize("n_loads", [2, 5, 8])
def test_loads_of_one_tile_share_pages(bench, printed_lines, tidy, page, n_loads):
    series = replace(
        bench.series, mark="KE", plan=replace(bench.series.plan, kind="sequential")
    )
    plan = make_plan(series)
    for n in range(n_loads):  # chosen one after the other, in one session
        firing = {"temperature_degC": 746.11 + 5 * n, "dwell_s": 120.0, "load": 1}
        row = {**firing, "mesh": 80, "layers": 1, "base": "hard clear"}
        plan = extend_plan(series, plan, pd.DataFrame([row]), same_session=True)
    tidy.check(make_sheets(series, plan, session=1, page=page))
    texts = [line.text for line in printed_lines]
    heads = [text for text in texts if text.startswith("Loads ")]
    numbers = [re.findall(r"\d+", text) for text in heads]
    held = [int(last) - int(first) + 1 for first, last in numbers]
    assert len(heads) >= printed_lines[-1].page - 1, "only the last may hold one load"
    assert printed_lines[-1].page <= -(-n_loads // 2)
    assert max(held) <= 3
    for tile in plan.tiles["tile"]:  # on its label, on its load, and to be graded
        assert texts.count(f"KE-{tile}") == 3
    sifted = [text for text in texts if text.startswith("Sift counter-enamel, back")]
    loads = f"{n_loads} tiles, {-(-n_loads // 4)} load"
    assert len(sifted) == 2, "under base and test coat, of all tiles together"
    assert all(loads in text for text in sifted)
    assert len([one for one in texts if one.startswith("After each load: firelab")]) == 1
    used = printed_lines[-1].page
    printed_lines.clear()
    make_sheets(series, plan, page=page)
    assert printed_lines[-1].page == used + 1, "without a session: a first page more"


@pytest.mark.parametrize("page", ["a4", "letter"])
def test_three_loads_of_four_tiles_are_on_one_page(bench, printed_lines, tidy, page):
    rows = [bench.row(n, 1 + n // 4, 1 + n) for n in range(16)]
    tidy.check(make_sheets(bench.series, bench.plan_like(rows), page=page))
    kiln = on_pages(printed_lines, "Kiln sheet")
    first = min(line.page for line in kiln)
    loads = [(line.text, line.page - first) for line in kiln if "Load " in line.text]
    assert loads == [("Load 1", 0), ("Load 2", 0), ("Load 3", 0), ("Load 4", 1)]


def test_preparation_is_counted_in_loads_and_hours_by_session(bench, printed_lines):
    rows = [bench.row(n, 1 + n // 4, 1 + n, session=1 + n // 20) for n in range(36)]
    series = replace(
        bench.series, budget=replace(bench.series.budget, change=1500.0, cooling=0.0)
    )
    make_sheets(series, bench.plan_like(rows))
    prepared = [line.text for line in on_pages(printed_lines, "Preparation sheet")]
    assert prepared.count("36 tiles, 9 loads") == 2, "counter-enamel and base"
    first = " ".join(line.text for line in on_pages(printed_lines, "Test firing sheets"))
    # By hand, all at 1400 degF: 18 preparation loads of 2 min + 5 min, 25 min to heat up;
    # 5 loads of the same and 25 min in session 1, 4 loads in session 2.
    assert (
        "kiln hours: 2.5 of preparation (18 loads), 1.0 in session 1, 0.9 in session 2; "
        "4.4 in all"
    ) in first


def test_defects_have_the_same_words_on_paper_and_phone(bench, printed_lines):
    make_sheets(bench.series, bench.plan)
    intro = " ".join(line.text for line in on_pages(printed_lines, "Record sheet"))
    assert f"such as {', '.join(series_dict(bench.series)['defects'])}." in intro


def test_before_any_tile_there_are_blank_marks_and_the_simple_rule(
    bench, printed_lines, tidy
):
    series = replace(
        bench.series,
        mark="KE",
        plan=replace(bench.series.plan, kind="sequential"),
        budget=replace(bench.series.budget, blanks=10),
    )
    plan = make_plan(series)
    pdf = make_sheets(series, plan)
    tidy.check(pdf)
    marks = [line.text for line in on_pages(printed_lines, "Blank marks, in turn")]
    first = " ".join(line.text for line in on_pages(printed_lines, "Test firing sheets"))
    codes = [f"KE-{tile_code(index)}" for index in range(10)]
    assert [text for text in marks if text.startswith("KE-")] == codes
    assert "one tile at a time: firelab next says each firing. By the simple rule:" in first
    # the tiles take them in turn
    at = {"temperature_degC": 760.0, "dwell_s": 120.0, "mesh": 80, "layers": 1}
    for _ in range(2):
        row = pd.DataFrame([{**at, "base": "none", "load": 1}])
        plan = extend_plan(series, plan, row, same_session=True)
    assert [f"KE-{tile}" for tile in plan.tiles["tile"]] == codes[:2]
