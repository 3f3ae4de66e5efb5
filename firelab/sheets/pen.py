"""What a page is drawn with: the pen, head and foot, and the PDF that pages become."""

from __future__ import annotations

import io
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from reportlab.pdfgen.canvas import Canvas

from firelab.series.firing_series import FiringSeries
from firelab.series.folder import INVENTED, SERIES_FILE, Provenance
from firelab.sheets.fitting import (
    LEADING,
    PLAIN,
    SMALLEST,
    FittedText,
    fit_block,
    fit_line,
    font_name,
    printable,
    register_fonts,
    text_width,
    wrap_text,
)
from firelab.sheets.page import MM, Box, PageSize

Align = Literal["left", "centre", "right"]
QR_QUIET_MODULES = 4
"""White modules that a reader needs round a QR square (ISO/IEC 18004)."""
_ASCENT = 0.76


class Pen:
    """Draws in points from the top left of a page; greys from 0 (black) to 1.

    Parameters
    ----------
    canvas : reportlab.pdfgen.canvas.Canvas
        Where the page is drawn.
    page : PageSize
        Its paper.
    """

    def __init__(self, canvas: Any, page: PageSize) -> None:
        self.canvas = canvas
        self.page = page

    def _put(
        self, box: Box, baseline: float, text: str, size: float, *, bold: bool, align: Align
    ) -> None:
        """Print a line that is known to fit across a box, on a baseline."""
        spare = box.width - text_width(text, size, bold=bold)
        shift = {"left": 0.0, "centre": spare / 2, "right": spare}[align]
        self.canvas.setFillGray(0)
        self.canvas.setFont(font_name(bold), size)
        self.canvas.drawString(box.left + shift, self.page.height - baseline, text)

    def put_fitted(
        self, box: Box, fitted: FittedText, *, bold: bool = False, align: Align = "left"
    ) -> float:
        """Print fitted lines from the top of a box; return their height."""
        for place, line in enumerate(fitted.lines):
            base = box.top + place * fitted.size * LEADING + fitted.size * (_ASCENT + 0.18)
            self._put(box, base, line, fitted.size, bold=bold, align=align)
        return fitted.height

    def line(
        self,
        box: Box,
        text: str,
        size: float,
        *,
        smallest: float = SMALLEST,
        bold: bool = False,
        align: Align = "left",
    ) -> float:
        """Print one line, shrunk to the box, in the middle of its height."""
        room = min(size, max(SMALLEST, box.height / 0.95))
        fitted = fit_line(
            text, box.width, size=room, smallest=min(smallest, room), bold=bold
        )
        base = box.top + box.height / 2 + fitted.size * _ASCENT / 2 - fitted.size * 0.02
        self._put(box, base, fitted.lines[0], fitted.size, bold=bold, align=align)
        return fitted.size

    def block(
        self,
        box: Box,
        text: str,
        size: float,
        *,
        smallest: float = SMALLEST,
        bold: bool = False,
        align: Align = "left",
        middle: bool = False,
    ) -> float:
        """Print a text wrapped and shrunk to a box; return the height used.

        With `middle` it stands in the middle of the height, else at the top.
        """
        fitted = fit_block(
            text, box.width, box.height, size=size, smallest=smallest, bold=bold
        )
        room = box.below((box.height - fitted.height) / 2) if middle else box
        return self.put_fitted(room, fitted, bold=bold, align=align)

    def paragraphs(self, box: Box, texts: Sequence[str], size: float) -> float:
        """Print texts one below the other in one size that fits; return the height."""
        while True:
            gap = 0.45 * size
            heights = [
                len(wrap_text(text, box.width, size=size)) * size * LEADING
                for text in texts
            ]
            if sum(heights) + gap * len(texts) <= box.height or size <= SMALLEST:
                break
            size = max(SMALLEST, size - 0.25)
        used = 0.0
        for text, height in zip(texts, heights, strict=True):
            room = box.below(used).upper(min(height, box.height - used))
            if room.height <= 0:
                break
            used += self.block(room, text, size) + gap
        return used

    def turned_block(self, box: Box, text: str) -> None:
        """Print a bold text that reads upwards, wrapped and shrunk to a box."""
        fitted = fit_block(text, box.height, box.width, size=9, bold=True)
        self.canvas.saveState()
        self.canvas.translate(box.left, self.page.height - box.bottom)
        self.canvas.rotate(90)
        # On the turned page x runs up the box and y to the left of it.
        self.canvas.setFillGray(0)
        self.canvas.setFont(font_name(True), fitted.size)
        rest = (box.width - fitted.height) / 2
        for place, line in enumerate(fitted.lines):
            down = rest + (place * LEADING + _ASCENT + 0.18) * fitted.size
            self.canvas.drawString(0, -down, line)
        self.canvas.restoreState()

    def rectangle(
        self,
        box: Box,
        *,
        stroke: float | None = 0.0,
        fill: float | None = None,
        weight: float = 0.8,
    ) -> None:
        """Draw a rectangle; a grey of None leaves that part out."""
        if stroke is not None:
            self.canvas.setStrokeGray(stroke)
            self.canvas.setLineWidth(weight)
        if fill is not None:
            self.canvas.setFillGray(fill)
        self.canvas.rect(
            box.left,
            self.page.height - box.bottom,
            box.width,
            box.height,
            stroke=int(stroke is not None),
            fill=int(fill is not None),
        )

    def rule(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        *,
        grey: float = 0.0,
        weight: float = 0.8,
        dashed: bool = False,
    ) -> None:
        """Draw a straight line between two points."""
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(weight)
        self.canvas.setDash([3, 3] if dashed else [])
        self.canvas.line(x0, self.page.height - y0, x1, self.page.height - y1)
        self.canvas.setDash([])

    def tick_box(self, box: Box, side: float) -> None:
        """Draw an empty square to tick, in the middle of a box."""
        left = box.left + (box.width - side) / 2
        top = box.top + (box.height - side) / 2
        self.rectangle(Box(left=left, top=top, width=side, height=side), weight=1.0)

    def qr_square(self, box: Box, payload: str) -> None:
        """Draw a QR square, quiet zone included, as large as the box allows."""
        modules = _qr_modules(payload)
        side = min(box.width, box.height)
        pitch = side / (len(modules) + 2 * QR_QUIET_MODULES)
        left = box.left + (box.width - side) / 2 + QR_QUIET_MODULES * pitch
        top = box.top + (box.height - side) / 2 + QR_QUIET_MODULES * pitch
        self.canvas.setFillGray(0)
        path = self.canvas.beginPath()
        for row, values in enumerate(modules):
            base = self.page.height - (top + (row + 1) * pitch)
            column = 0
            for dark, run in itertools.groupby(values):
                length = len(list(run))
                if dark:
                    path.rect(left + column * pitch, base, length * pitch, pitch)
                column += length
        self.canvas.drawPath(path, stroke=0, fill=1)


@cache
def _qr_modules(payload: str) -> tuple[tuple[bool, ...], ...]:
    """Return the dark modules of a QR square, at its highest error correction."""
    from reportlab.graphics.barcode.qr import QrCodeWidget  # not for what has no square

    code = QrCodeWidget(payload, barLevel="H").qr
    code.make()
    return tuple(tuple(bool(module) for module in row) for row in code.modules)


MARGIN = 12 * MM
HEAD = 13 * MM
FOOT = 7 * MM


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPage:
    """One page to be drawn.

    Attributes
    ----------
    title : str
        Printed at the head, and the PDF's bookmark.
    draw : callable
        Takes the pen and the box it may fill.
    framed : bool
        Whether the page has head and foot; label stock has neither.
    blanks : tuple of str
        What a person writes at the head, such as ``date``.
    """

    title: str
    draw: Callable[[Pen, Box], None]
    framed: bool = True
    blanks: tuple[str, ...] = ()


def body_box(page: PageSize, *, framed: bool = True) -> Box:
    """Return the box that a page's own drawing may fill."""
    whole = Box(left=0, top=0, width=page.width, height=page.height)
    if not framed:
        return whole
    inner = whole.inset(MARGIN)
    return Box(
        left=inner.left,
        top=inner.top + HEAD,
        width=inner.width,
        height=inner.height - HEAD - FOOT,
    )


def _draw_frame(
    pen: Pen, sheet: SheetPage, name: str, origin_words: str, number_of: tuple[int, int]
) -> None:
    """Draw head and foot: title, of what, page of pages, what it came from."""
    inner = Box(left=0, top=0, width=pen.page.width, height=pen.page.height).inset(MARGIN)
    shares = (0.35, 0.43, 0.22) if sheet.blanks else (0.5, 0.02, 0.48)
    left, middle, right = inner.upper(HEAD - 4 * MM).columns(*shares, gap=3 * MM)
    pen.line(left, sheet.title, 17, smallest=9, bold=True)
    pen.block(right, name, 9, align="right", middle=True)
    blanks = middle.columns(*([1.0] * len(sheet.blanks)), gap=3 * MM)
    for box, blank in zip(blanks, sheet.blanks, strict=True):
        label, room = box.columns(0.32, 0.68, gap=1.5 * MM)
        pen.line(label, blank, 9.5, align="right")
        pen.rectangle(room, weight=0.9)
    line = inner.top + HEAD - 3 * MM
    pen.rule(inner.left, line, inner.right, line, weight=1.2)
    foot = inner.below(inner.height - FOOT + 2 * MM)
    origin, page = foot.columns(0.82, 0.18, gap=3 * MM)
    pen.line(origin, origin_words, 7.5)
    pen.line(page, f"page {number_of[0]} of {number_of[1]}", 9, align="right")


def print_pages(
    pages: Sequence[SheetPage],
    series: FiringSeries,
    provenance: Provenance,
    paper: PageSize,
    *,
    title: str,
    source: str,
) -> bytes:
    """Return pages as a PDF with embedded typefaces, bookmarks and provenance.

    Parameters
    ----------
    pages : sequence of SheetPage
        In order.
    series : FiringSeries
        Named at the head; marked as invented where it is.
    provenance : Provenance
        Named at the foot and in the PDF's keywords.
    paper : PageSize
        Paper of every page.
    title : str
        Of the PDF.
    source : str
        What is printed, named at the foot.

    Returns
    -------
    bytes
        The same for the same values.
    """
    hashes = {SERIES_FILE: provenance.series_hash, **provenance.sources}
    digests = [f"{name} sha256 {digest}" for name, digest in hashes.items()]
    mark = f"{source} of series {provenance.series_hash[:8]}"
    origin = f"firelab · {mark} · seed {provenance.seed}"
    return print_framed(
        pages,
        paper,
        title=f"{title}: {series.name}",
        subject=INVENTED if series.invented else title,
        keywords="; ".join([*digests, f"seed {provenance.seed}"]),
        name=f"{series.mark} · {series.name}" if series.mark else series.name,
        origin=f"{INVENTED} {origin}" if series.invented else origin,
    )


def print_framed(
    pages: Sequence[SheetPage],
    paper: PageSize,
    *,
    title: str,
    subject: str,
    keywords: str = "",
    name: str = "",
    origin: str = "",
) -> bytes:
    """Return pages as a PDF with embedded typefaces and bookmarks.

    Parameters
    ----------
    pages : sequence of SheetPage
        In order; those of one title after another share a bookmark.
    paper : PageSize
    title, subject, keywords : str
        Of the PDF.
    name, origin : str
        At the head and at the foot of each page.

    Returns
    -------
    bytes
        The same for the same values.
    """
    register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(
        stream,
        pagesize=(paper.width, paper.height),
        invariant=1,
        pageCompression=1,
        initialFontName=PLAIN,
    )
    canvas.setTitle(printable(title))
    canvas.setAuthor("firelab")
    canvas.setCreator("firelab")
    canvas.setSubject(subject)
    canvas.setKeywords(keywords)
    marked = ""
    for number, sheet in enumerate(pages, start=1):
        pen = Pen(canvas, paper)
        if sheet.title != marked:
            canvas.bookmarkPage(f"page-{number}")
            canvas.addOutlineEntry(sheet.title, f"page-{number}", 0)
            marked = sheet.title
        if sheet.framed:
            _draw_frame(pen, sheet, name, origin, (number, len(pages)))
        sheet.draw(pen, body_box(paper, framed=sheet.framed))
        canvas.showPage()
    canvas.save()
    return stream.getvalue()
