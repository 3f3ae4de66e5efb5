"""The printed PDF, read back by pdfium and its QR squares by ZXing.

Both readers are independent of the printer: PDFium (pypdfium2) extracts text
and paints pages, ZXing-C++ decodes the painted QR squares.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdfium_raw
import pytest
import zxingcpp

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.craft.tile_codes import tile_index
from firelab.craft.units import format_duration, to_degF
from firelab.plan.make_plan import make_plan
from firelab.plan.plan import Plan
from firelab.series.firing_series import FiringSeries
from firelab.series.series_file import design_names, design_path, read_series
from firelab.sheets.sheet_set import make_sheets

PAGES_BY_DESIGN = [name for name in design_names() if name != "tile-by-tile"]


@cache
def planned(name: str) -> tuple[FiringSeries, Plan]:
    series = read_series(design_path(name))
    return series, make_plan(series, series_hash="0" * 64)


@cache
def printed(name: str, page: str = "a4") -> bytes:
    series, plan = planned(name)
    return make_sheets(series, plan, page=page, students=())


def page_texts(pdf: bytes) -> list[str]:
    document = pdfium.PdfDocument(pdf)
    return [page.get_textpage().get_text_range() for page in document]


def pages_titled(pdf: bytes, title: str) -> list[int]:
    return [place for place, text in enumerate(page_texts(pdf)) if title in text]


def squashed(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("page", ["a4", "letter"])
@pytest.mark.parametrize("name", PAGES_BY_DESIGN)
def test_every_tile_and_setting_is_in_the_text(name: str, page: str) -> None:
    series, plan = planned(name)
    text = squashed(" ".join(page_texts(printed(name, page))))
    for row in plan.table.itertuples():
        assert str(row.tile) in text
        assert f"{to_degF(float(row.temperature_degC)):.0f} °F" in text
        assert f"{float(row.temperature_degC):.0f} °C" in text
        assert format_duration(float(row.dwell_s)) in text
        assert f"{row.mesh} mesh" in text
    assert squashed(series.name) in text


@pytest.mark.parametrize("name", PAGES_BY_DESIGN)
def test_first_page_carries_every_caution(name: str) -> None:
    text = squashed(page_texts(printed(name))[0])
    for title, words in CAUTIONS:
        assert title in text
        assert squashed(words) in text
    assert DEFERENCE in text


@pytest.mark.parametrize("name", PAGES_BY_DESIGN)
def test_qr_squares_on_the_painted_labels_are_the_tile_codes(name: str) -> None:
    _, plan = planned(name)
    pdf = printed(name)
    document = pdfium.PdfDocument(pdf)
    seen: list[str] = []
    for place in pages_titled(pdf, "Tile labels"):
        picture = document[place].render(scale=200 / 72).to_pil()
        seen += [code.text for code in zxingcpp.read_barcodes(picture)]
    assert sorted(seen) == sorted(plan.table["tile"].unique())
    assert [tile_index(code) for code in sorted(seen, key=tile_index)] == list(
        range(plan.n_tiles)
    )


@pytest.mark.parametrize("name", PAGES_BY_DESIGN)
def test_same_values_give_the_same_bytes(name: str) -> None:
    series, plan = planned(name)
    assert make_sheets(series, plan, students=()) == printed(name)


def test_every_typeface_is_embedded() -> None:
    pdf = printed("clear-transparent")
    document = pdfium.PdfDocument(pdf)
    checked = 0
    for page in document:
        for thing in page.get_objects(filter=[pdfium_raw.FPDF_PAGEOBJ_TEXT]):
            font = pdfium_raw.FPDFTextObj_GetFont(thing)
            assert pdfium_raw.FPDFFont_GetIsEmbedded(font) == 1
            checked += 1
    assert checked > 500
    assert b"Helvetica" not in pdf


@pytest.mark.parametrize("page", ["a4", "letter"])
@pytest.mark.parametrize("name", PAGES_BY_DESIGN)
def test_nothing_overlaps_or_leaves_the_page(tidy, name: str, page: str) -> None:
    tidy.check(printed(name, page))


def test_overlaps_would_be_seen(tidy) -> None:
    apart = np.array([[0, 0, 5, 5], [6, 0, 11, 5], [0, 9, 5, 14]], dtype=float)
    assert tidy.overlapping(apart) == 0
    assert tidy.overlapping(apart - [[0], [0], [4.5]]) == 1


def test_long_names_and_many_tiles_stay_tidy(bench, tidy) -> None:
    grades = ("loose powder", "sugar", "sintered, with open pores", "orange peel")
    grades += ("nearly level", "full", "flowing away from the edges", "over")
    colour = "Blaugrünviolettschattierungszwischenton " * 6
    series = bench.series_like(colour=colour, grades=grades, places=24, invented=True)
    series = replace(
        series, name="A very long name of a series " * 12, question="Why? " * 80
    )
    base = "hard clear with a very long trade description"
    rows = [
        bench.row(
            index,
            1 + index // 23,
            1 + index,
            base=base if index % 3 else "none",
            layers=1 + index % 2,
            dwell_s=3599.0 - index,
        )
        for index in range(200)
    ]
    pdf = make_sheets(series, bench.plan_like(rows, colour=colour), students=["Anna " * 40])
    text = " ".join(page_texts(pdf))
    for tile in {str(row["tile"]) for row in rows}:
        assert tile in text
    tidy.check(pdf)


def test_one_tile_and_no_preparation_is_enough(bench, tidy) -> None:
    plan = replace(bench.plan_like([bench.row(0, 1, 1)]), preparation=(), notes=())
    pdf = make_sheets(bench.series, plan)
    tidy.check(pdf)
    assert "No preparation firing" in " ".join(page_texts(pdf))
