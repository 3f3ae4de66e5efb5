"""Where a phone finds this machine, and the QR squares that take it there."""

from __future__ import annotations

import io
import socket
from collections.abc import Sequence

from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.pdfgen.canvas import Canvas

from firelab.sheets.fitting import BOLD, PLAIN, register_fonts
from firelab.sheets.page import MM, Box, page_size
from firelab.sheets.pen import Pen

_QUIET = 2


def local_address() -> str:
    """Return this machine's address on its local network.

    Nothing is sent: a datagram socket is pointed at a private address to learn
    which of its own addresses the system would use.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("10.255.255.255", 1))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def page_url(host: str, port: int, key: str) -> str:
    """Return the address that opens the page on one phone.

    Examples
    --------
    >>> page_url("192.168.1.5", 8423, "abc")
    'http://192.168.1.5:8423/?key=abc'
    """
    shown = f"[{host}]" if ":" in host else host
    return f"http://{shown}:{port}/?key={key}"


def square_text(text: str, *, in_colour: bool = False) -> str:
    """Return a QR square as lines for a terminal, two modules to a character.

    Light modules are drawn as full blocks, so that the square is dark on light
    on the usual dark terminal.

    Parameters
    ----------
    text : str
        What the square says.
    in_colour : bool, default False
        Set white on black by terminal codes, so that it is so on any terminal.
    """
    code = QrCodeWidget(text, barLevel="L").qr
    code.make()
    size = len(code.modules) + 2 * _QUIET
    light = [[True] * size for _ in range(size + size % 2)]
    for row, modules in enumerate(code.modules):
        for column, dark in enumerate(modules):
            light[row + _QUIET][column + _QUIET] = not dark
    signs = {(True, True): "█", (True, False): "▀", (False, True): "▄", (False, False): " "}
    start, end = ("\x1b[97;40m", "\x1b[0m") if in_colour else ("", "")
    return "\n".join(
        start + "".join(signs[pair] for pair in zip(upper, lower, strict=True)) + end
        for upper, lower in zip(light[::2], light[1::2], strict=True)
    )


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
