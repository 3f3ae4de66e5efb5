"""What the sheets say: golden text, sizes of what is acted on, both units."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest

from firelab.craft.trade_words import STAGE_DESCRIPTIONS
from firelab.errors import UsageError
from firelab.series.declared_parts import Preparation
from firelab.series.folder import INVENTED
from firelab.sheets.sheet_set import make_sheets

GOLDEN = Path(__file__).parents[1] / "golden" / "sheets.txt"
KEY_SIZE = 18.0


def on_pages(lines, title):
    pages = {line.page for line in lines if line.text.startswith(title) and line.size > 11}
    assert pages, title
    return [line for line in lines if line.page in pages]


def test_the_text_of_every_sheet_is_golden(bench, printed_lines, stored):
    make_sheets(bench.series, bench.plan, students=["Student of the class"])
    pages = {}
    for line in printed_lines:
        pages.setdefault(line.page, []).append(line.text)
    text = "\n".join(f"-- page {page}\n" + "\n".join(pages[page]) for page in pages)
    stored(text + "\n", GOLDEN)


def test_what_is_acted_on_at_the_kiln_is_large(bench, printed_lines):
    make_sheets(bench.series, bench.plan)
    kiln = on_pages(printed_lines, "Kiln sheet")
    large = {line.text for line in kiln if line.size >= KEY_SIZE}
    for firing in bench.plan.table.itertuples():
        assert firing.tile in large
    for words in ("2 min", "2 min 45 s", "1400 °F", "760 °C", "1450 °F", "788 °C"):
        assert words in large
    small = [
        line
        for line in kiln
        if re.fullmatch(r"\d+ min( \d+ s)?|[\d.]+ °[CF]", line.text)
        and line.size < KEY_SIZE
    ]
    assert small == []


@pytest.mark.parametrize(
    ("reads", "own", "other"),
    [("degF", "1400 °F", "760 °C"), ("degC", "760 °C", "1400 °F")],
)
def test_the_unit_of_the_kiln_is_the_larger(bench, printed_lines, reads, own, other):
    make_sheets(bench.series_like(reads=reads), bench.plan)
    lines = on_pages(printed_lines, "Kiln sheet")
    own_size = min(line.size for line in lines if line.text == own)
    other_size = max(line.size for line in lines if line.text == other)
    assert own_size > other_size
    labels = " ".join(line.text for line in on_pages(printed_lines, "Tile labels"))
    assert f"{own} ({other}), 2 min" in labels


def test_waits_name_the_change_and_the_recovery(bench, printed_lines):
    make_sheets(bench.series, bench.plan)
    said = [line.text for line in on_pages(printed_lines, "Kiln sheet")]
    assert said.count("Heat up: 15 min") == 2
    assert "Recover 5 min, then go up: 15 min" in said
    assert "Recover 5 min, then go down: 15 min" in said


def test_tiles_are_listed_in_the_order_they_come_out(bench, printed_lines):
    make_sheets(bench.series, bench.plan)
    kiln = on_pages(printed_lines, "Kiln sheet")
    first = [line.text for line in kiln if line.size > 20 and len(line.text) == 3]
    codes = list(bench.plan.table["tile"])
    assert first[:3] == [codes[1], codes[2], codes[0]]


def test_grades_are_described_in_order_and_own_grades_need_no_description(
    bench, printed_lines
):
    own = ("raw", "sugar", "satin", "full")
    make_sheets(bench.series_like(grades=own), bench.plan)
    record = on_pages(printed_lines, "Record sheet")
    text = " ".join(line.text for line in record)
    places = [text.index(f"{rank} {grade}") for rank, grade in enumerate(own, start=1)]
    assert places == sorted(places)
    assert STAGE_DESCRIPTIONS["sugar"].split(",")[0] in text
    assert "(target)" in text


@pytest.mark.parametrize(
    ("direction", "ends", "bold"),
    [
        ("higher is clearer", ("cloudy", "clear"), "target 7 or clearer"),
        ("lower is clearer", ("clear", "cloudy"), "target 7 or clearer"),
    ],
)
def test_the_direction_of_clarity_is_printed(bench, printed_lines, direction, ends, bold):
    make_sheets(bench.series_like(direction=direction), bench.plan)
    record = [line.text for line in on_pages(printed_lines, "Record sheet")]
    assert " ".join(record).count(direction) >= 1
    assert record.index(ends[0]) < record.index(ends[1])
    assert any(bold in text for text in record)


def test_settings_are_left_off_the_record_sheet(bench, printed_lines):
    make_sheets(bench.series, bench.plan)
    record = on_pages(printed_lines, "Record sheet")
    assert not [line for line in record if "°F" in line.text or "°C" in line.text]


def test_invented_series_say_so_on_every_page(bench, printed_lines):
    pdf = make_sheets(bench.series_like(invented=True), bench.plan)
    pages = {line.page for line in printed_lines}
    assert pages == {line.page for line in printed_lines if INVENTED in line.text}
    assert pdf
    printed_lines.clear()
    make_sheets(bench.series, bench.plan)
    assert not [line for line in printed_lines if INVENTED in line.text]


def test_a_control_tile_does_not_claim_the_colour_under_test(bench, printed_lines):
    make_sheets(bench.series, bench.plan)
    labels = [line.text for line in on_pages(printed_lines, "Tile labels")]
    assert labels.count("control colour · control") == 1
    own = [text for text in labels if text.startswith("marsh green · ")]
    assert len(own) == len(bench.plan.table) - 1


def test_a_tile_fired_twice_has_one_label_and_two_rows(bench, printed_lines):
    rows = [
        bench.row(0, 1, 1),
        bench.row(0, 2, 2, temperature_degC=787.78),
        bench.row(1, 2, 3, temperature_degC=787.78),
    ]
    make_sheets(bench.series, bench.plan_like(rows))
    labels = [line.text for line in on_pages(printed_lines, "Tile labels")]
    assert labels.count("AAA") == 1
    assert "1: 1400 °F (760 °C), 2 min, load 1" in labels
    assert "2: 1450 °F (788 °C), 2 min, load 2" in labels
    record = [line.text for line in on_pages(printed_lines, "Record sheet")]
    assert record.count("AAA") == 2


def further_session(bench):
    """Session 2 fires AEX on, hotter, and a new tile; session 3 fires AEX alone."""
    hot = 787.78
    return bench.plan_like(
        [
            bench.row(0, 1, 1),
            bench.row(1, 1, 2),
            bench.row(1, 2, 3, session=2, temperature_degC=hot, dwell_s=45.0),
            bench.row(2, 2, 4, session=2, temperature_degC=hot, base="none"),
            bench.row(1, 3, 5, session=3, temperature_degC=hot, dwell_s=30.0),
            bench.row(1, 4, 6, session=3, dwell_s=20.0),
        ]
    )


def test_one_session_alone_keeps_places_and_counts_looks_on(bench, printed_lines):
    plan = further_session(bench)
    make_sheets(bench.series, plan, session=2, students=["Ida"])
    record = [line.text for line in on_pages(printed_lines, "Record sheet")]
    assert record[record.index("AEX") + 1 : record.index("AEX") + 3] == ["2", "fired on"]
    assert record[record.index("AFL") + 1] == "1"
    assert record.count("fired on") == 1
    with pytest.raises(UsageError, match=r"session 4 is not in the plan") as told:
        make_sheets(bench.series, plan, session=4)
    assert told.value.hint == "one of 1, 2, 3"


def test_only_new_tiles_are_labelled_and_prepared(bench, printed_lines):
    make_sheets(bench.series, further_session(bench), session=2, students=["Ida"])
    labels = [line.text for line in on_pages(printed_lines, "Tile labels")]
    by_tile = [line.text for line in on_pages(printed_lines, "Preparation, tile by tile")]
    for printed in (labels, by_tile):
        assert "AFL" in printed
        assert "AEX" not in printed
    preparation = [line.text for line in on_pages(printed_lines, "Preparation sheet")]
    assert "1 tile, 1 load" in preparation
    assert preparation[preparation.index("Fire in this order") + 1] == "1"
    fetch = preparation[preparation.index("Fetch, to be fired on") + 1]
    assert fetch.startswith("AEX. ")
    first = " ".join(line.text for line in on_pages(printed_lines, "Test firing sheets"))
    assert "2 tiles (1 of them fired on) in 1 load, 1 session" in first


def test_the_kiln_sheet_tells_what_a_tile_had_before(bench, printed_lines):
    plan = further_session(bench)
    make_sheets(bench.series, plan, session=2, students=["Ida"])
    kiln = [line.text for line in on_pages(printed_lines, "Kiln sheet")]
    assert [text for text in kiln if "fired on" in text] == [
        "look 2, fired on after 1400 °F (760 °C) 2 min"
    ]
    assert kiln.index("AEX") < kiln.index("look 2, fired on after 1400 °F (760 °C) 2 min")
    printed_lines.clear()
    make_sheets(bench.series, plan, session=3, students=["Ida"])
    kiln = [line for line in on_pages(printed_lines, "Kiln sheet") if "look" in line.text]
    had = "1400 °F (760 °C) 2 min, then 1450 °F (788 °C)"
    assert [line.text for line in kiln] == [
        f"look 3, fired on after {had} 45 s",
        f"look 4, fired on after {had} 1 min 15 s in 2 firings",
    ]
    assert min(line.size for line in kiln) >= 7.0


def test_a_session_of_fired_on_tiles_needs_no_powder(bench, printed_lines, tidy):
    pdf = make_sheets(bench.series, further_session(bench), session=3, students=["Ida"])
    tidy.check(pdf)
    titles = {line.text for line in printed_lines}
    assert not titles & {"Tile labels", "Preparation, tile by tile"}
    preparation = [line.text for line in on_pages(printed_lines, "Preparation sheet")]
    assert not [text for text in preparation if "Weigh out" in text or "bare tile" in text]
    own = " ".join(line.text for line in on_pages(printed_lines, "Your tile"))
    assert "Fetch AEX: it is fired on after 1400 °F" in own
    assert "Scratch" not in own


def test_a_class_gets_a_page_for_each_name(bench, printed_lines):
    names = ["Ana María Ñúñez-O'Brien", "Łukasz", "Θάλεια"]
    make_sheets(bench.series, bench.plan, students=names)
    own = on_pages(printed_lines, "Your tile")
    assert [line.text for line in own if line.text in names and line.size > 20] == [
        names[0],
        names[0],
        names[1],
        names[2],
    ]
    codes = set(bench.plan.table["tile"])
    assert {line.text for line in own if line.size > 20} >= codes


def test_characters_the_typeface_lacks_show_as_squares(bench, printed_lines):
    make_sheets(bench.series_like(colour="緑 green"), bench.plan)
    assert any("□ green" in line.text for line in printed_lines)


def marked(bench):
    return replace(bench.series, mark="KE")


def test_the_mark_stands_on_every_sheet(bench, printed_lines):
    make_sheets(marked(bench), bench.plan, students=["Ida"])
    titles = ["Preparation, tile by tile", "Tile labels", "Kiln sheet", "Tray map"]
    for title in [*titles, "Record sheet", "Your tile", "Your grades"]:
        page = {line.text for line in on_pages(printed_lines, title)}
        assert {"KE-AAA", "KE-AEX"} <= page, title
    kiln = on_pages(printed_lines, "Kiln sheet")
    on_the_rack = [line.text for line in kiln].count("KE")
    assert on_the_rack == len(bench.plan.tiles), "each place of the rack map is marked"
    kiln = [line for line in kiln if "KE-" in line.text]
    assert min(line.size for line in kiln) >= KEY_SIZE


def test_tiles_are_graded_in_an_order_of_their_own(bench, printed_lines):
    rows = [bench.row(index, 1 + index // 4, 1 + index) for index in range(24)]
    plan = bench.plan_like(rows)
    make_sheets(bench.series, plan)
    fired = plan.table["tile"].tolist()
    record = on_pages(printed_lines, "Record sheet")
    graded = [line.text for line in record if line.text in fired]
    assert sorted(graded) == sorted(fired)
    # Neighbours in firing order stand as often side by side as chance puts them there:
    # of 23 pairs about two do, and more than seven in one order of ten thousand (Poisson).
    beside = sum(
        abs(fired.index(one) - fired.index(other)) == 1
        for one, other in itertools.pairwise(graded)
    )
    assert beside <= 7


def test_a_page_to_grade_on_shows_no_setting(bench, printed_lines):
    make_sheets(bench.series, bench.plan, students=["Ida", "Ben"])
    for title in ("Your grades", "Record sheet"):
        words = " ".join(line.text for line in on_pages(printed_lines, title))
        assert not re.search(r"°|mesh|coat|load|\d min", words), title


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("bare corner", "keep counter-enamel off that corner"),
        ("through the coat", "metal through each coat of counter-enamel, dry and unfired"),
        ("pencil", "a pencil made to withstand firing"),
        ("stain", "ceramic stain on each coat"),
    ],
)
def test_the_sheets_say_how_the_code_stays_readable(bench, printed_lines, code, words):
    series = replace(bench.series, preparation=Preparation(code=code))
    make_sheets(series, bench.plan)
    first = " ".join(line.text for line in printed_lines if line.page == 1)
    assert words in first
    printed_lines.clear()
    bare = replace(bench.series, preparation=Preparation(back="bare", code=code))
    make_sheets(bare, bench.plan)
    first = " ".join(line.text for line in printed_lines if line.page == 1)
    assert "Scratch each tile's code into its bare back." in first
