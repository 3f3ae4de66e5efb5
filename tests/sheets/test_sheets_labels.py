"""Label stock of any size, and QR squares read back from the painted page."""

from __future__ import annotations

import pypdfium2 as pdfium
import pytest
import zxingcpp

from firelab.craft.tile_codes import tile_code
from firelab.errors import UsageError
from firelab.sheets.labels import (
    CUT_LABELS,
    LabelStock,
    label_stock_words,
    parse_label_stock,
)
from firelab.sheets.page import MM, PAGES, page_size
from firelab.sheets.sheet_set import make_sheets

STOCKS = {
    "cut": CUT_LABELS,
    "smallest": LabelStock(width_mm=35, height_mm=15),
    "65 to a page": LabelStock(
        width_mm=38.1, height_mm=21.2, left_mm=4.7, top_mm=10.7, gap_across_mm=2.5
    ),
    "21 to a page": LabelStock(
        width_mm=63.5, height_mm=38.1, left_mm=7.2, top_mm=15.1, gap_across_mm=2.5
    ),
    "flat": LabelStock(width_mm=99, height_mm=25),
    "tall": LabelStock(width_mm=38, height_mm=80),
    "large": LabelStock(width_mm=190, height_mm=130),
}


def decoded(pdf, pages):
    document = pdfium.PdfDocument(pdf)
    seen = []
    for place in pages:
        picture = document[place].render(scale=200 / 72).to_pil()
        seen += [code.text for code in zxingcpp.read_barcodes(picture)]
    return sorted(seen)


@pytest.mark.parametrize("name", STOCKS)
def test_qr_squares_decode_on_every_stock(bench, name):
    rows = [bench.row(index, 1 + index // 4, 1 + index) for index in range(118, 126)]
    plan = bench.plan_like(rows)
    pdf = make_sheets(bench.series, plan, label_stock=STOCKS[name])
    pages = range(len(pdfium.PdfDocument(pdf)))
    assert decoded(pdf, pages) == sorted(tile_code(index) for index in range(118, 126))


HAS_TWO_HALVES = ("cut", "21 to a page", "flat", "large")


@pytest.mark.parametrize("name", STOCKS)
def test_the_setting_is_whole_on_a_half_of_its_own_or_left_out(bench, printed_lines, name):
    series = bench.series_like(reads="degC")
    rows = [bench.row(0, 1, 1, temperature_degC=787.78, dwell_s=165.0, layers=2)]
    make_sheets(series, bench.plan_like(rows), label_stock=STOCKS[name])
    title = next(line.page for line in printed_lines if line.text.startswith("Kiln sheet"))
    label = [line for line in printed_lines if line.page == title - 1]
    setting = [
        "787.8 °C (1450 °F), 2 min 45 s",
        "80 mesh · 2 coats · over hard clear",
        "session 1 · load 1 · place 1",
        "marsh green · test",
    ]
    shown = [line.text for line in label if line.text in setting]
    assert shown == (setting if name in HAS_TWO_HALVES else [])
    assert "AAA" in [line.text for line in label]
    assert min(line.size for line in label) >= 7


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("name", STOCKS)
def test_labels_are_on_the_page_and_apart(name, page):
    paper = page_size(page)
    cells = STOCKS[name].cells(paper)
    assert cells
    for cell in cells:
        assert cell.left >= -1e-6 and cell.right <= paper.width + 1e-6
        assert cell.top >= -1e-6 and cell.bottom <= paper.height + 1e-6
    for one in cells:
        for other in cells:
            apart = (
                one is other
                or one.right <= other.left + 1e-6
                or other.right <= one.left + 1e-6
                or one.bottom <= other.top + 1e-6
                or other.bottom <= one.top + 1e-6
            )
            assert apart


def test_margins_and_gaps_are_where_the_stock_says():
    stock = parse_label_stock("63.5x38.1", margins="7.2x15.1", gaps="2.5x0")
    cells = stock.cells(page_size("a4"))
    assert len(cells) == 21
    assert cells[0].left == pytest.approx(7.2 * MM)
    assert cells[0].top == pytest.approx(15.1 * MM)
    assert cells[1].left == pytest.approx((7.2 + 63.5 + 2.5) * MM)
    assert cells[3].top == pytest.approx((15.1 + 38.1) * MM)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (
            lambda: parse_label_stock("63.5"),
            "labels '63.5' is not WIDTHxHEIGHT in millimetres\n"
            '  hint: write such as "63.5x38.1"',
        ),
        (
            lambda: LabelStock(width_mm=20, height_mm=10).cells(page_size("a4")),
            "a label of 20 x 10 mm is too small: code and QR square need 35 x 15 mm\n"
            "  hint: use larger labels, or --labels cut",
        ),
        (
            lambda: LabelStock(width_mm=300, height_mm=50).cells(page_size("A4")),
            "a label of 300 x 50 mm with its margins does not fit on A4 (210 x 297 mm)\n"
            "  hint: correct the size or the margins, or choose the other page",
        ),
        (lambda: page_size("a5"), "page 'a5' is not known\n  hint: one of a4, letter"),
    ],
)
def test_faults_name_the_values_and_the_remedy(make, told):
    with pytest.raises(UsageError) as fault:
        make()
    assert str(fault.value) == told


@pytest.mark.parametrize(
    ("page", "size", "count"),
    [
        ("a4", "99.1x38.1", 14),
        ("a4", "70x37", 24),
        ("a4", "63.5x38.1", 21),
        ("a4", "63.5x33.9", 24),
        ("a4", "45.7x21.2", 48),
        ("a4", "38.1x21.2", 65),
        ("letter", "101.6x50.8", 10),
        ("letter", "101.6x25.4", 20),
        ("letter", "66.7x25.4", 30),
    ],
)
def test_common_stocks_are_known_by_their_size(page, size, count):
    stock = parse_label_stock(size, page=page)
    paper = page_size(page)
    cells = stock.cells(paper)
    assert len(cells) == count
    assert f"{page:>6}  --labels {size}  {count} a page" in label_stock_words().split("\n")
    # the margin that is left is that of the other side, to a millimetre and a half
    right, low = paper.width - cells[-1].right, paper.height - cells[-1].bottom
    assert right == pytest.approx(cells[0].left, abs=1.5 * MM)
    assert low == pytest.approx(cells[0].top, abs=1.5 * MM)


def test_margins_of_ones_own_hold_before_those_of_a_common_stock():
    stock = parse_label_stock("63.5x38.1", margins="9x9")
    assert (stock.left_mm, stock.top_mm, stock.gap_across_mm) == (9, 9, 0)
    assert parse_label_stock("63.5x38.1", page="letter").left_mm is None
