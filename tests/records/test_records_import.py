"""The same looks, handed over in every form that people have them in."""

import csv
import io

import openpyxl
import pandas as pd
import pytest

from firelab.errors import FaultyFile
from firelab.records.log_columns import SYNONYMS, column_meaning
from firelab.records.recording import read_table
from firelab.records.records import FIRING_COLUMNS

HEADER = ["Tile code", "temperature degF", "dwell", "grade", "clarity", "notes"]


def looks(clear, decimal="."):
    first, second, third = clear.tiles[:3]
    return [
        [first, "1400", "2 min 30 s", "full", "7", "level, glossy"],
        [second.lower(), f"1375{decimal}5", "2:30", "Orange_Peel", "3", 'a "dimpled" edge'],
        [f"{third[0]} {third[1:]}", "760 C", f"2{decimal}5 min", "OVER", "", ""],
    ]


def delimited(rows, delimiter):
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter).writerows([HEADER, *rows])
    return text.getvalue()


def workbook(rows):
    book = openpyxl.Workbook()
    book.create_sheet("empty first", 0)
    for row in [HEADER, *rows]:
        book["Sheet"].append(row)
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


def pasted(rows):
    lines = ["| " + " | ".join(row) + " |" for row in [HEADER, *rows]]
    return "\n".join([lines[0], "|" + "---|" * len(HEADER), *lines[1:]])


FORMS = {
    "commas": lambda rows: delimited(rows, ",").encode(),
    "semicolons": lambda rows: delimited(rows, ";").encode(),
    "tabs": lambda rows: delimited(rows, "\t").encode(),
    "byte-order mark": lambda rows: delimited(rows, ";").encode("utf-8-sig"),
    "utf-16": lambda rows: delimited(rows, "\t").encode("utf-16"),
    "old line ends": lambda rows: delimited(rows, ",").replace("\r\n", "\r").encode(),
    "xlsx": workbook,
    "pasted": lambda rows: pasted(rows).encode(),
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("decimal", [".", ","])
def test_every_form_gives_the_same_looks(clear, form, decimal):
    added = clear.record(FORMS[form](looks(clear, decimal))).added
    first, second, third = clear.tiles[:3]
    # 1400 degF is 760 degC exactly and 1375.5 degF 746.39 (NIST SP 811, B.8: t/degC =
    # (t/degF - 32)/1.8)
    assert [(one.tile, one.temperature_degC, one.dwell_s) for one in added] == [
        (first, 760.0, 150.0),
        (second, 746.39, 150.0),
        (third, 760.0, 150.0),
    ]
    assert [one.stage for one in added] == ["full", "orange peel", "over"]
    assert [one.transparency for one in added] == [7.0, 3.0, None]
    assert added[0].note == "level, glossy"
    assert added[1].note == 'a "dimpled" edge'


def test_the_log_is_read_by_another_library_as_the_contract_says(clear):
    clear.record(FORMS["commas"](looks(clear)))
    frame = pd.read_csv(clear.log)
    assert tuple(frame.columns[:12]) == FIRING_COLUMNS
    assert frame["temperature_degC"].tolist() == [760.0, 746.39, 760.0]
    assert frame["stage"].tolist() == ["full", "orange peel", "over"]
    assert frame["note"].fillna("").tolist() == ["level, glossy", 'a "dimpled" edge', ""]


def test_numbers_and_times_of_a_workbook(clear):
    import datetime

    book = openpyxl.Workbook()
    book.active.append(["tile", "temperature_degC", "dwell_s", "stage", "fired_at"])
    first, second, third = clear.tiles[:3]
    day = datetime.datetime(2025, 3, 1, 14, 5)
    book.active.append([first, 760, 150.0, "full", day])
    book.active.append([second, 760.5, datetime.time(2, 30), "full", day.date()])
    book.active.append([third, 760.5, datetime.time(0, 2, 30), "full", None])
    raw = io.BytesIO()
    book.save(raw)
    added = clear.record(raw.getvalue()).added
    assert [one.dwell_s for one in added] == [150.0] * 3
    assert [one.temperature_degC for one in added] == [760.0, 760.5, 760.5]
    assert added[0].fired_at == "2025-03-01T14:05:00"
    assert added[1].fired_at.startswith("2025-03-01")


def test_a_formula_in_a_workbook_is_named_not_run(clear):
    book = openpyxl.Workbook()
    book.active.append(["tile", "stage", "note"])
    book.active.append([clear.tiles[0], "full", '=HYPERLINK("x")'])
    raw = io.BytesIO()
    book.save(raw)
    with pytest.raises(FaultyFile) as fault:
        clear.record(raw.getvalue())
    (finding,) = fault.value.findings
    assert (finding.code, finding.line, finding.column) == ("formula", 2, 3)


def test_a_line_break_within_a_note_counts_its_lines(clear):
    text = f'tile,note,stage\n{clear.tiles[0]},"one\ntwo",full\nQQQ,,full\n'
    with pytest.raises(FaultyFile) as fault:
        clear.record(text)
    assert [one.line for one in fault.value.findings] == [4]
    assert clear.record(text[: text.index("QQQ")]).added[0].note == "one two"


def test_rows_that_say_nothing_are_left_out_and_named(clear):
    first, second = clear.tiles[:2]
    recorded = clear.record(f"tile,load,stage\n{first},,full\n{second},,\n")
    assert len(recorded.added) == 1
    assert recorded.left_out == (3,)


@pytest.mark.parametrize(
    ("written", "column", "unit"),
    [
        ("Temperature [°F]", "temperature_degC", "degF"),
        ("temp (C)", "temperature_degC", "degC"),
        ("TEMPERATURE_DEGC", "temperature_degC", "degC"),
        ("dwell (min)", "dwell_s", "min"),
        ("Dwell", "dwell_s", "s"),
        ("Fired at", "fired_at", ""),
    ],
)
def test_plain_words_for_columns(written, column, unit):
    meaning = column_meaning(written)
    assert (meaning.column, meaning.unit) == (column, unit)


def test_no_plain_word_means_two_columns():
    words = [word for several in SYNONYMS.values() for word in several]
    assert len(words) == len(set(words))
    assert not set(words) & set(SYNONYMS)


@pytest.mark.parametrize("raw", [b"", b"  \n\n", b"\xff\xfe", "tile\nñ".encode("latin-1")])
def test_what_is_no_table_is_named(raw):
    with pytest.raises(FaultyFile) as fault:
        read_table(raw, "looks.csv")
    assert fault.value.findings[0].code in {"empty-file", "wrong-encoding"}
