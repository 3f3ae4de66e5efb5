"""Bodies that no one should send: tables, workbooks and JSON, each from a seed.

A body holds at least one fault by construction, so it must be refused; but one of a
kind in `UNCERTAIN` is a good one changed at random, which may still be good and is
then recorded as what it says, and those in `GOOD` are good: they show that the way
in is open.
"""

from __future__ import annotations

import csv
import io
import json
import zipfile

import openpyxl

BAD_NUMBERS = (
    "nan", "NaN", "inf", "-inf", "1e308", "1e999", "-1", "-0.001", "0x10", "1_000",
    "9" * 30, "9" * 400, "1e-9", "1,000,000", "1400", "--5", "½", "١٢", "NULL", "#REF!",
    "=1+1", "@SUM(1)", "+", "-", ".", "7;8", "'", '"', "760 K9", "12:99", "1:2:3:4",
)  # fmt: skip
POSSIBLE_DWELLS = ("1400", "١٢")  # either is a time that a firing can take
CONTROL = ("\x00", "\x01", "\x07", "\x1b[31m", "\x7f", "\u202e", "\ufeff", "\u2066")
STRANGE = (
    "<script>alert(1)</script>", "../../etc/passwd", "'; DROP TABLE looks;--", "QQQ",
    "=cmd|' /C calc'!A0", "\\\\host\\share", "💥" * 9, "A" * 1000, "AAAAA",
    "%00", "{{7*7}}",
)  # fmt: skip


def good_rows(folder_tiles, rng, count=4):
    """Return rows that would be taken, as text by column."""
    return [
        {
            "tile": tile,
            "temperature_degC": "760",
            "dwell_s": "150",
            "stage": rng.choice(["sugar", "orange peel", "full", "over"]),
            "transparency": str(rng.randint(0, 10)),
            "observer": "Kim",
            "note": "level, glossy",
        }
        for tile in rng.sample(folder_tiles, count)
    ]


def as_csv(rows, delimiter=","):
    text = io.StringIO()
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(text, names, delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def one_bad_cell(rows, rng):
    """Put a value that cannot be right into one cell."""
    row = rng.choice(rows)
    name = rng.choice(
        ["temperature_degC", "dwell_s", "transparency", "stage", "tile", "look", "load",
         "fired_at", "entry", "change"]
    )  # fmt: skip
    bad = rng.choice(STRANGE + BAD_NUMBERS)
    row[name] = bad
    if name == "dwell_s" and bad in POSSIBLE_DWELLS:
        row[name] = "nan"
    return rows


def table_with(kind, tiles, rng):
    """Return the bytes of a delimited table of some kind."""
    rows = good_rows(tiles, rng)
    delimiter = rng.choice(",;\t")
    if kind == "bad cell":
        one_bad_cell(rows, rng)
    elif kind == "control character":
        rows[0]["note"] = f"a{rng.choice(CONTROL)}b"
    elif kind == "look twice":
        rows.append({**rows[0], "note": "again"})
    elif kind in MAKERS:
        return MAKERS[kind](rows, rng)
    raw = as_csv(rows, delimiter).encode()
    return changed_bytes(raw, rng) if kind == "changed table" else raw


def with_bad_columns(rows, rng):
    header, _, rest = as_csv(rows).partition("\r\n")
    names = header.split(",")
    change = rng.choice(["drop", "twice", "strange"])
    name = {"drop": "colour of the jar", "twice": "tile", "strange": "<b>kiln</b>"}[change]
    names[0 if change == "drop" else rng.randrange(1, len(names))] = name
    return (",".join(names) + "\r\n" + rest).encode()


def in_another_encoding(rows, rng):
    rows[0]["note"] = "é ü ß"
    codes = ["latin-1", "cp1252", "utf-32", "utf-16-be", "utf-16-le", "cp037"]
    return as_csv(rows, rng.choice(",;\t")).encode(rng.choice(codes))


def oversized(rows, rng):
    which = rng.choice(["cell", "file", "columns", "rows"])
    if which == "cell":
        rows[0]["note"] = "n" * rng.choice([2001, 10_000, 200_000])
    if which == "columns":
        rows[0] |= {f"c{place}": "x" for place in range(100)}
    more = {"file": b"," * 5_000_001, "rows": b"AAA,,,,,,x\r\n" * 20_001}
    return as_csv(rows).encode() + more.get(which, b"")


def no_table(rows, rng):
    fixed = [b"", b"\n\n\n", b"{}", b"<html></html>", b'"' * 999, b"\xff" * 50, b"tile"]
    fixed += [b"%PDF-1.7", bytes(5000), b"tile\n" + b"'" * 99]
    return rng.choice([rng.randbytes(rng.randint(1, 4000)), *fixed])


MAKERS = {
    "columns": with_bad_columns,
    "encoding": in_another_encoding,
    "oversized": oversized,
    "no table": no_table,
}


def changed_bytes(raw, rng):
    """Flip, drop, insert or cut bytes."""
    raw = bytearray(raw)
    for _ in range(rng.randint(1, 6)):
        place = rng.randrange(len(raw)) if raw else 0
        act = rng.randrange(4)
        if act == 0 and raw:
            raw[place] ^= 1 << rng.randrange(8)
        elif act == 1 and raw:
            del raw[place : place + rng.randint(1, 5)]
        elif act == 2:
            raw[place:place] = rng.choice(
                [b"=", b'"', b"\x00", b",", b"\r", b"\xc3", b"9" * 50]
            )
        elif rng.random() < 0.3:
            del raw[place:]
    return bytes(raw)


def workbook_with(kind, tiles, rng):
    """Return the bytes of an xlsx workbook of some kind."""
    rows = good_rows(tiles, rng)
    if kind == "workbook cell":
        one_bad_cell(rows, rng)
    if kind == "workbook formula":
        rows[0]["note"] = rng.choice(
            ["=1+1", '=HYPERLINK("x")', "=A1", "=cmd|'/C calc'!A0"]
        )
    if kind == "workbook far away":
        raw = saved_workbook(rows, far=True)
    else:
        raw = saved_workbook(rows)
    if kind == "workbook damaged":
        return changed_bytes(raw, rng)
    if kind == "no workbook":
        return hostile_zip(raw, rng)
    return raw


def saved_workbook(rows, far=False):
    book = openpyxl.Workbook()
    names = list(dict.fromkeys(name for row in rows for name in row))
    book.active.append(names)
    for place, row in enumerate(rows, start=2):
        for column, name in enumerate(names, start=1):
            cell = book.active.cell(place, column)
            text = row.get(name, "")
            cell.value = "".join(sign for sign in text if sign >= " ")
    if far:
        book.active.cell(1_048_576, 1, "x")
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


def hostile_zip(raw, rng):
    """Return a zip that is no workbook, or one that would burst."""
    kind = rng.randrange(5)
    if kind == 0:
        return b"PK\x03\x04" + rng.randbytes(rng.randint(0, 3000))
    if kind == 1:
        return raw[: rng.randrange(4, len(raw) - 1)]
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(raw)) as old,
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            if name.endswith("sheet1.xml") and kind == 2:
                content = BURSTING_XML
            if name == "[Content_Types].xml" and kind == 3:
                content = b"<not>closed"
            new.writestr(name, content)
        if kind == 4:
            new.writestr("xl/media/zeros.bin", bytes(110_000_000))
    return packed.getvalue()


BURSTING_XML = (
    b'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a0 "xxxxxxxxxx">'
    + b"".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">'.encode() for n in range(1, 10))
    + b"]><worksheet><sheetData><row><c t='inlineStr'><is><t>&a9;</t></is></c></row>"
    b"</sheetData></worksheet>"
)


def json_with(kind, tiles, rng):
    """Return the bytes of a JSON body of some kind."""
    look = {**good_rows(tiles, rng, 1)[0], "entry": "".join(rng.choices("abc019", k=20))}
    look |= {"transparency": rng.randint(0, 10), "dwell_s": 150}
    if kind == "json cell":
        name = rng.choice(["tile", "stage", "transparency", "dwell_s", "temperature_degC"])
        look[name] = rng.choice([*STRANGE, *BAD_NUMBERS, -1, 10**20, 1e300, 0.1234567])
        if name == "dwell_s" and look[name] in POSSIBLE_DWELLS:
            look[name] = -150
        return json.dumps(look).encode()
    if kind == "json control":
        look["note"] = rng.choice([*CONTROL, "\ud800", "a\udfffb"])
        return json.dumps(look).encode()
    if kind == "json type":
        wrong = rng.choice([[], {}, True, ["full"], {"a": 1}])
        look[rng.choice(list(look))] = wrong
        return json.dumps(rng.choice([look, [look], "full", 7, None, [[[]]]])).encode()
    if kind == "json number":
        text = json.dumps(look | {"dwell_s": "N"})
        bad = rng.choice(["NaN", "Infinity", "-Infinity", "1e999", "9" * 5000, "-150"])
        return text.replace('"N"', bad).encode()
    if kind == "json oversized":
        long = look | {"note": "n" * rng.choice([2001, 40_000, 300_000])}
        spaced = b" " * 40_000 + json.dumps(look).encode()
        deep = [b"[" * 100_000, b'{"a":' * 20_000]
        return rng.choice([json.dumps(long).encode(), spaced, *deep])
    if kind == "no json":
        return rng.choice(
            [b"", b"{", b"\xff\xfe", rng.randbytes(300), b"tile=AAA", b"null", b'{"tile"}',
             json.dumps(look).encode("utf-16"), b"\x00" * 100]
        )  # fmt: skip
    if kind == "json fields":
        return json.dumps(
            look | {rng.choice(["__proto__", "session2", "<b>"]): "x"}
        ).encode()
    raw = json.dumps(look).encode()
    return changed_bytes(raw, rng) if kind == "changed json" else raw


TABLES = (
    "bad cell", "control character", "columns", "encoding", "oversized", "look twice",
    "no table", "changed table", "good table",
)  # fmt: skip
WORKBOOKS = (
    "workbook cell", "workbook formula", "workbook far away", "no workbook",
    "workbook damaged", "good workbook",
)  # fmt: skip
JSON_BODIES = (
    "json cell", "json control", "json type", "json number", "json oversized", "no json",
    "json fields", "changed json", "good json",
)  # fmt: skip
GOOD = ("good table", "good workbook", "good json")
UNCERTAIN = ("changed table", "workbook damaged", "changed json")
