"""The log survives: a cut at any byte, two writers, a spreadsheet's own form."""

import csv
import errno
import io
import os
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firelab.errors import FaultyFile, FirelabError
from firelab.records.firing_log import read_log
from firelab.records.folder_check import check_folder
from firelab.records.journal import KEPT_FOLDER, TORN_FILE
from firelab.records.look import (
    HEADER_TEXT,
    LOG_COLUMNS,
    Look,
    escape_cell,
    rows_text,
    unescape_cell,
)
from firelab.records.look_cells import parse_words

NOTE = 'rim; -2 mm, "pulled"'
QUOTED = '"rim; -2 mm, ""pulled"""'


def filled(folder, count=4):
    for tile in folder.tiles[:count]:
        folder.record(f"tile;stage;observer;note\n{tile};full;Kim;{QUOTED}\n")
    return folder.log.read_bytes()


def read(folder):
    return read_log(folder.path, folder.series, folder.planned)


def test_a_cut_at_any_byte_leaves_whole_rows_and_a_clean_folder(opaque):
    raw = filled(opaque)
    ends = [place for place, byte in enumerate(raw, start=1) if byte == 10]
    for cut in range(len(raw) + 1):  # a last row lacking but its line end is whole
        opaque.log.write_bytes(raw[:cut])
        log = read(opaque)
        whole = max(sum(end <= cut + 1 for end in ends) - 1, 0)
        assert len(log.rows) == whole, f"cut at {cut}"
        assert log.findings == ()
        assert all(row.note == NOTE for row in log.rows)


@pytest.mark.parametrize("back", [2, 20, 21, 22, 60, 90])
def test_the_next_look_sets_a_torn_line_aside(opaque, back):
    raw = filled(opaque)
    opaque.log.write_bytes(raw[:-back])
    assert check_folder(opaque.path).findings == ()
    last = opaque.tiles[5]
    opaque.record(f"tile,stage\n{last},over\n")
    log = read(opaque)
    assert [row.tile for row in log.rows] == [*opaque.tiles[:3], last]
    assert log.torn == b""
    kept = (opaque.path / TORN_FILE).read_bytes()
    start = raw.rstrip(b"\n").rfind(b"\n") + 1
    assert kept == raw[start:-back] + b"\n"
    assert check_folder(opaque.path).findings == ()


def test_a_torn_header_is_begun_anew(opaque):
    opaque.log.write_bytes(HEADER_TEXT.encode()[:30])
    filled(opaque, 1)
    assert len(read(opaque).rows) == 1


def test_a_row_typed_by_hand_without_line_end_is_a_row(opaque):
    filled(opaque, 1)
    tile = opaque.tiles[1]
    typed = {"tile": tile, "look": "1", "stage": "sugar", "note": "typed"}
    with opaque.log.open("a") as stream:
        stream.write(",".join(typed.get(name, "") for name in LOG_COLUMNS))
    assert [row.note for row in read(opaque).rows] == [NOTE, "typed"]
    opaque.record(f"tile,stage\n{opaque.tiles[2]},over\n")
    assert [row.tile for row in read(opaque).rows] == opaque.tiles[:3]
    assert not (opaque.path / TORN_FILE).exists()


def test_the_contract_s_twelve_columns_are_enough(opaque):
    header = HEADER_TEXT[: HEADER_TEXT.index(",change")]
    first, second = opaque.tiles[:2]
    text = f"{header}\n{first},1,,,1400 degF,2:30,full,,Kim,,,\n"
    opaque.log.write_text(text)
    (row,) = read(opaque).rows
    assert (row.temperature_degC, row.dwell_s, row.load) == (760.0, 150.0, 1)
    opaque.record(f"tile,stage\n{second},over\n")
    assert [(one.tile, one.stage) for one in read(opaque).rows] == [
        (first, "full"),
        (second, "over"),
    ]
    (kept,) = (opaque.path / KEPT_FOLDER).iterdir()
    assert kept.read_text() == text


def test_a_log_saved_by_a_spreadsheet_goes_on(opaque):
    raw = filled(opaque, 3)
    rows = list(csv.reader(io.StringIO(raw.decode())))
    saved = io.StringIO()
    csv.writer(saved, delimiter=";").writerows(rows)
    opaque.log.write_bytes(saved.getvalue().encode("utf-8-sig"))
    assert [row.note for row in read(opaque).rows] == [NOTE] * 3
    opaque.record(f"tile,stage\n{opaque.tiles[5]},over\n")
    assert opaque.log.read_bytes().startswith(raw)
    assert len(read(opaque).rows) == 4


def test_a_faulty_log_is_never_rewritten(opaque):
    filled(opaque, 2)
    damaged = opaque.log.read_text().replace(",", ";").replace(";full;", ";ful;")
    opaque.log.write_text(damaged)
    with pytest.raises(FaultyFile):
        opaque.record(f"tile,stage\n{opaque.tiles[5]},over\n")
    assert opaque.log.read_text() == damaged


WRITER = """
import sys
from firelab.plan.plan_files import read_plan
from firelab.records.recording import read_table, record_table
from firelab.series.series_file import read_series
folder, *tiles = sys.argv[1:]
series = read_series(folder)
plan = read_plan(folder, series)
for tile in tiles:
    table = read_table(f"tile,stage\\n{tile},full\\n".encode(), "looks.csv")
    record_table(folder, table, series, plan, recorded_at="2025-03-01")
"""


def test_three_writers_at_once_lose_nothing(clear):
    shares = [clear.tiles[start:24:3] for start in range(3)]
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(clear.path), *tiles])
        for tiles in shares
    ]
    assert [one.wait() for one in writers] == [0] * 3
    log = read(clear)
    assert log.findings == ()
    assert sorted(row.tile for row in log.rows) == sorted(clear.tiles[:24])


def test_of_two_writers_of_one_look_one_is_told(opaque):
    tile = opaque.tiles[0]
    opaque.record(f"tile,stage,observer\n{tile},full,Kim\n")
    with pytest.raises(FaultyFile, match="stands already"):
        opaque.record(f"tile,stage,observer\n{tile},over,Kim\n")


# Signs that make a spreadsheet take a cell for a formula: OWASP, "CSV Injection"
# (equals, plus, minus, at, and their full-width forms).
SIGNS = "=+-@＝＋－＠"


@given(st.text(st.sampled_from(SIGNS + "';a 1"), max_size=12) | st.text(max_size=30))
def test_no_cell_begins_as_a_formula_and_all_are_read_back(text):
    cell = escape_cell(text)
    assert unescape_cell(cell) == text
    for part in (cell, *cell.split(";")):
        assert part.lstrip()[:1] not in tuple(SIGNS)


@given(st.text(max_size=60), st.text(max_size=20))
def test_words_are_read_back_from_the_log_as_they_were(note, observer):
    try:
        look = Look(
            tile="AEX", look=1, session=1, load=1, note=parse_words(note),
            observer=parse_words(observer),
        )  # fmt: skip
    except Exception as fault:
        assert "control character" in str(fault)
        return
    text = rows_text([look])
    assert text.count("\n") == 1
    (cells,) = csv.reader([text])
    row = dict(zip(HEADER_TEXT.strip().split(","), cells, strict=True))
    assert parse_words(row["note"]) == look.note
    assert parse_words(row["observer"]) == look.observer


ON_A_SMALL_DISK = """
import resource, sys
from firelab.cli.app import main
room = int(sys.argv.pop(1))
resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
main()
"""


def test_of_a_batch_that_does_not_fit_on_the_disk_no_look_is_kept(opaque, tmp_path):
    first, *others = opaque.tiles
    opaque.record(f"tile,stage\n{first},full\n")
    stood = opaque.log.read_bytes()
    table = tmp_path / "looks.csv"
    table.write_text("tile,stage\n" + "".join(f"{tile},full\n" for tile in others))
    # The system refuses to let any file grow beyond this: half of the batch fits.
    words = [len(stood) + 400, "record", table, opaque.path]
    done = subprocess.run(
        [sys.executable, "-c", ON_A_SMALL_DISK, *map(str, words)],
        capture_output=True,
        text=True,
    )
    assert done.returncode != 0
    assert done.stderr == (
        f"{opaque.log}: could not be written (File too large): 0 of 11 looks are kept\n"
        "  hint: make room on the disk and record the same again: what stands is not "
        "added twice\n"
    )
    assert opaque.log.read_bytes() == stood
    assert len(opaque.record(table.read_text()).added) == 11


def test_where_nothing_can_be_taken_back_it_says_what_is_kept(opaque, monkeypatch):
    write, full = os.write, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    calls = []

    def write_two_rows(handle, raw):
        if calls:
            raise full
        calls.append(bytes(raw))
        third = bytes(raw).split(b"\n")[3]
        return write(handle, bytes(raw)[: bytes(raw).index(third) + 9])

    def refuse(*_):
        raise full

    monkeypatch.setattr(os, "write", write_two_rows)
    monkeypatch.setattr(os, "truncate", refuse)
    rows = "".join(f"{tile},full\n" for tile in opaque.tiles[:5])
    with pytest.raises(FirelabError, match="No space left on device") as told:
        opaque.record(f"tile,stage\n{rows}")
    assert "2 of 5 looks are kept" in told.value.what
    monkeypatch.undo()
    again = opaque.record(f"tile,stage\n{rows}")
    assert (len(again.added), len(again.already)) == (3, 2)


def test_look_20_001_is_refused_when_it_is_recorded(opaque):
    first, second, third = opaque.tiles[:3]
    opaque.record(f"tile,stage\n{first},full\n")
    head, row = opaque.log.read_text().splitlines()
    opaque.record(f"tile,stage,change\n{first},full,confirmation\n")
    again = opaque.log.read_text().splitlines()[2]
    entry = again.rpartition(",")[2]  # each further row has a name of its own
    more = (again.replace(entry, f"{n:020d}") for n in range(19_998))
    opaque.log.write_text("\n".join([head, row, *more]) + "\n")
    opaque.record(f"tile,stage\n{second},full\n")
    stood = opaque.log.read_bytes()
    assert stood.count(b"\n") == 20_001, "the header, and 20 000 rows"
    with pytest.raises(FaultyFile) as told:
        opaque.record(f"tile,stage\n{third},full\n")
    assert str(told.value) == (
        "firings.csv holds 20000 rows; with 1 more it would hold more than 20000\n"
        "  hint: start a further series; nothing was recorded"
    )
    assert opaque.log.read_bytes() == stood
