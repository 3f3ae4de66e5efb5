"""A printed page of one-time squares: cut apart, one for each phone."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.renderPDF import draw
from reportlab.graphics.shapes import Drawing
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from firelab.sheets.fonts import font_name, register_fonts

_ACROSS, _DOWN = 2, 3
_SIDE = 62 * mm


def squares_pdf(urls: Sequence[str]) -> bytes:
    """Return a PDF with a square for each address, six to an A4 page.

    Parameters
    ----------
    urls : sequence of str
        Each opens the page on one phone, once.
    """
    register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=A4, invariant=1)
    canvas.setTitle("Squares for phones beside the kiln")
    width, height = A4
    for number, url in enumerate(urls):
        place = number % (_ACROSS * _DOWN)
        if number and place == 0:
            canvas.showPage()
        left = (place % _ACROSS) * width / 2 + (width / 2 - _SIDE) / 2
        bottom = height - (place // _ACROSS + 1) * 95 * mm + 12 * mm
        square = QrCodeWidget(url, barLevel="M", barWidth=_SIDE, barHeight=_SIDE)
        drawing = Drawing(_SIDE, _SIDE)
        drawing.add(square)
        draw(drawing, canvas, left, bottom)
        middle = left + _SIDE / 2
        canvas.setFont(font_name(True), 12)
        canvas.drawCentredString(middle, bottom + _SIDE + 2 * mm, f"Phone {number + 1}")
        canvas.setFont(font_name(False), 10)
        canvas.drawCentredString(
            middle, bottom - 4 * mm, "Opens on one phone, once. Cut apart."
        )
    canvas.showPage()
    canvas.save()
    return stream.getvalue()
