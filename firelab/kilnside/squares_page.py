"""A printed page of one-time squares: cut apart, one for each phone."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.pdfgen.canvas import Canvas

from firelab.sheets.fonts import BOLD, PLAIN, register_fonts
from firelab.sheets.page_size import MM, Box, page_size
from firelab.sheets.pen import Pen

_ACROSS, _DOWN = 2, 3
_SIDE = 70 * MM


def squares_pdf(urls: Sequence[str]) -> bytes:
    """Return a PDF with a square for each address, six to an A4 page.

    Parameters
    ----------
    urls : sequence of str
        Each opens the page on one phone, once.
    """
    register_fonts()
    paper = page_size("A4")
    stream = io.BytesIO()
    canvas = Canvas(
        stream,
        pagesize=(paper.width, paper.height),
        invariant=1,
        initialFontName=PLAIN,
    )
    canvas.setTitle("Squares for phones beside the kiln")
    for number, url in enumerate(urls):
        place = number % (_ACROSS * _DOWN)
        if number and place == 0:
            canvas.showPage()
        middle = (place % _ACROSS + 0.5) * paper.width / _ACROSS
        top = (place // _ACROSS) * paper.height / _DOWN + 12 * MM
        box = Box(left=middle - _SIDE / 2, top=top, width=_SIDE, height=_SIDE)
        Pen(canvas, paper).qr_square(box, url)
        canvas.setFont(BOLD, 13)
        canvas.drawCentredString(middle, paper.height - top, f"Phone {number + 1}")
        canvas.setFont(PLAIN, 11)
        below = paper.height - box.bottom - 3 * MM
        canvas.drawCentredString(middle, below, "Opens on one phone, once. Cut apart.")
    canvas.showPage()
    canvas.save()
    return stream.getvalue()
