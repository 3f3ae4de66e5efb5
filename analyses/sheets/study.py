"""The sheets read back from their pictures by independent readers, and their time.

python analyses/sheets/study.py            # prints the table
python analyses/sheets/study.py --write    # and keeps it in expected/
"""

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from io import BytesIO
from pathlib import Path

import pypdfium2 as pdfium
import zxingcpp
from PIL import Image
from reportlab.pdfgen.canvas import Canvas

from firelab.craft.tile_codes import tile_index
from firelab.errors import FirelabError
from firelab.plan.make_plan import make_plan
from firelab.series.series_file import design_names, design_path, parse_series, read_series
from firelab.sheets.page import PAGES, page_size
from firelab.sheets.sheet_set import make_sheets

EXPECTED = Path(__file__).parent / "expected" / "readback.txt"
QR_DPI, LETTER_DPI = 150, 300
QUIET = 4 / 21
"""White border of a smallest QR square, as a share of its side."""
RUNS = 5


def two_hundred():
    """Return a series of 200 tiles: the opaque's window with more levels."""
    text = design_path("opaque-window").read_text(encoding="utf-8")
    degF = ", ".join(f'"{heat} degF"' for heat in range(1300, 1500, 10))
    dwells = ", ".join(f'"{seconds} s"' for seconds in range(90, 240, 30))
    for old, new in (
        ('["1300 degF", "1350 degF", "1400 degF", "1450 degF", "1500 degF"]', f"[{degF}]"),
        ('["1 min 30 s", "2 min 15 s", "3 min 30 s"]', f"[{dwells}]"),
        ("blanks = 40\nloads = 12\n", ""),
        ('grams = { 80 = "60 g" }\n', ""),
        ('name = "An opaque', 'name = "Two hundred tiles: an opaque'),
    ):
        if old not in text:
            raise SystemExit(f"the design opaque-window has no line {old!r}")
        text = text.replace(old, new)
    series, findings = parse_series(text)
    if series is None:
        raise SystemExit("\n".join(str(finding) for finding in findings))
    return series


def label_pictures(pdf, dpi):
    """Yield the picture of each label page, in greys."""
    for page in pdfium.PdfDocument(pdf):
        if "Tile labels" in page.get_textpage().get_text_range():
            yield page.render(scale=dpi / 72).to_pil().convert("L")


def read_squares(pdf):
    """Return what ZXing decodes from the label pages."""
    return [
        code.text
        for picture in label_pictures(pdf, QR_DPI)
        for code in zxingcpp.read_barcodes(picture)
    ]


def code_crops(picture):
    """Yield the picture of each tile code: right of its QR square, upper half."""
    for code in zxingcpp.read_barcodes(picture):
        corner = code.position.top_right
        side = corner.x - code.position.top_left.x
        left, top = corner.x + QUIET * side, corner.y - QUIET * side
        box = (left, top, left + 2.1 * side, top + 0.56 * (1 + 2 * QUIET) * side)
        yield picture.crop(tuple(round(edge) for edge in box))


def read_letters(pdf):
    """Return what Tesseract reads of the large tile codes, one call a page."""
    read = []
    for picture in label_pictures(pdf, LETTER_DPI):
        crops = list(code_crops(picture))
        sheet = Image.new("L", (max(c.width for c in crops), sum(c.height for c in crops)))
        top = 0
        sheet.paste(255, (0, 0, *sheet.size))
        for crop in crops:
            sheet.paste(crop, (0, top))
            top += crop.height
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "codes.png"
            sheet.save(path, dpi=(LETTER_DPI, LETTER_DPI))
            told = subprocess.run(
                ["tesseract", path, "-", "--psm", "6"],
                capture_output=True,
                text=True,
                check=True,
            )
        printed = filter(None, map("".join, map(str.split, told.stdout.splitlines())))
        read += [line.upper() for line in printed]
    return read


def caught(code):
    """Tell whether a wrongly read code fails its check symbol."""
    try:
        tile_index(code)
    except FirelabError:
        return True
    return False


def readback_rows():
    """Yield one line for each design and paper."""
    plans = [
        (name, read_series(design_path(name)))
        for name in design_names()
        if name != "tile-by-tile"
    ]
    plans.append(("200 tiles", two_hundred()))
    for name, series in plans:
        plan = make_plan(series, series_hash="0" * 64)
        codes = set(plan.table["tile"])
        for paper in PAGES:
            pdf = make_sheets(series, plan, page=paper)
            squares = read_squares(pdf)
            exact = len(codes & set(squares)) if len(squares) == len(codes) else 0
            letters = "no reader"
            if shutil.which("tesseract"):
                read = read_letters(pdf)
                wrong = [code for code in read if code not in codes]
                letters = f"{len(codes & set(read)):9d}"
                letters += (
                    f"   {len(wrong)} wrong, {sum(map(caught, wrong))} of them caught"
                )
            pages = len(pdfium.PdfDocument(pdf))
            yield f"{name:18} {paper:7} {len(codes):5d} {pages:5d} {exact:7d} {letters}"


def processor_s(work):
    """Return processor seconds of a run, the median of several."""
    spent = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return statistics.median(spent)


def recorded_lines(work):
    """Return each line of text that some printing hands to the canvas."""
    lines, draw = [], Canvas.drawString

    def drawn(self, x, y, text, **more):
        at = self.absolutePosition(x, y)
        lines.append((self.getPageNumber(), *at, text, self._fontname, self._fontsize))
        draw(self, x, y, text, **more)

    Canvas.drawString = drawn
    try:
        work()
    finally:
        Canvas.drawString = draw
    return lines


def plain_print(lines, paper):
    """Print lines of text with reportlab alone."""
    canvas = Canvas(BytesIO(), pagesize=(paper.width, paper.height), invariant=1)
    page = 1
    for number, x, y, text, font, size in lines:
        if number != page:
            canvas.showPage()
            page = number
        canvas.setFont(font, size)
        canvas.drawString(x, y, text)
    canvas.save()


def time_rows():
    """Yield the time of 200 tiles beside that of reportlab alone."""
    series = two_hundred()
    plan = make_plan(series, series_hash="0" * 64)
    for words, students in (("sheets", None), ("sheets and 200 class pages", ())):

        def work(students=students):
            make_sheets(series, plan, students=students)

        lines = recorded_lines(work)
        own = processor_s(work)
        bare = processor_s(lambda lines=lines: plain_print(lines, page_size("a4")))
        yield (
            f"{words:28} {own:6.2f} s, {len(lines)} lines of text; "
            f"reportlab alone {bare:.2f} s; ratio {own / bare:.1f}"
        )


def report():
    """Return the study as lines of text."""
    head = (
        f"{'plan':18} {'paper':7} {'tiles':>5} {'pages':>5} {'squares':>7} {'letters':>9}"
    )
    return [head, *readback_rows(), "", *time_rows()]


if __name__ == "__main__":
    text = "\n".join(report()) + "\n"
    print(text, end="")
    if "--write" in sys.argv[1:]:
        EXPECTED.write_text(text, encoding="utf-8")
