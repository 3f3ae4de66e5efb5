"""Where a phone finds this machine, and the square that takes it there."""

from __future__ import annotations

import socket

from reportlab.graphics.barcode.qr import QrCodeWidget

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
