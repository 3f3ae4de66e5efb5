"""One command serves the bench until it is stopped.

It shows where a phone finds this machine, as QR squares that take it there.
"""

from __future__ import annotations

import asyncio
import errno
import io
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h11
import uvicorn
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.pdfgen.canvas import Canvas
from uvicorn.protocols.http.h11_impl import H11Protocol

from firelab.errors import FirelabError, UsageError
from firelab.kilnside.admission import open_admission
from firelab.kilnside.bench import Bench
from firelab.kilnside.certificate import tls_context
from firelab.kilnside.server import kilnside_app
from firelab.series.folder import write_atomically
from firelab.sheets.fitting import BOLD, PLAIN, register_fonts
from firelab.sheets.page import MM, Box, page_size
from firelab.sheets.pen import Pen


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """What is served, and where.

    Attributes
    ----------
    folder : Path
        The series folder.
    port : int
    host : str
        Address that phones are sent to; empty for that on the local network.
    bind : str
        Address to listen on.
    forget : bool
        Let no phone in that came in before.
    certificate, key : Path or None
        PEM files for https; None for http.
    """

    folder: Path
    port: int
    host: str = ""
    bind: str = "0.0.0.0"
    forget: bool = False
    certificate: Path | None = None
    key: Path | None = None


HEADERS_WITHIN_S = 20.0
"""Time for the head of a request; a phone sends it at once (chosen here, no source)."""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes a connection whose head is not whole in time."""

    headers_within_s = HEADERS_WITHIN_S
    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Wait for the first head."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Wait on while a head is not whole; it is not given more time."""
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._cancel()
        elif self._waiting is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._cancel()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(self.headers_within_s, self.transport.close)

    def _cancel(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None


def listening_socket(bind: str, port: int) -> socket.socket:
    """Return a socket that listens on a port.

    Raises
    ------
    UsageError
        If the port is taken.
    """
    family = socket.AF_INET6 if ":" in bind else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((bind, port))
    except OSError as fault:
        listener.close()
        if fault.errno == errno.EADDRINUSE:
            raise UsageError(
                f"port {port} is taken", hint="stop what uses it, or choose by --port"
            ) from None
        raise FirelabError(f"cannot listen on {bind}:{port}: {fault.strerror}") from None
    return listener


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


def page_url(host: str, port: int, key: str, *, is_encrypted: bool = False) -> str:
    """Return the address that opens the page on one phone.

    Parameters
    ----------
    host : str
    port : int
    key : str
        One-time key of a phone.
    is_encrypted : bool, default False
        By https.

    Examples
    --------
    >>> page_url("192.168.1.5", 8423, "abc")
    'http://192.168.1.5:8423/?key=abc'
    """
    shown = f"[{host}]" if ":" in host else host
    return f"http{'s' * is_encrypted}://{shown}:{port}/?key={key}"


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


_THIS_MACHINE = {"127.0.0.1", "::1", "localhost"}
"""Names under which http keeps the page as https does: W3C Secure Contexts, 3.1."""
_NOT_KEPT = (
    "By http a reload without connection loses the page (not the looks), and what is sent "
    "is not encrypted; with --certificate and --key the page stays."
)
_KEPT = (
    "By https the page stays through a reload without connection, on phones that trust "
    "the certificate."
)


def serve(
    offered: Offered,
    *,
    page: Path | None,
    phones: int,
    report: Callable[[str], None],
    show: Callable[[str], None],
    in_colour: bool = False,
) -> None:
    """Serve a bench until the process is stopped.

    Parameters
    ----------
    offered : Offered
    page : Path or None
        Where to write a PDF of one-time squares.
    phones : int
        How many squares it holds.
    report, show : callable
        Take lines for stderr and stdout.
    in_colour : bool, default False
        ``show`` goes to a terminal that knows colours.

    Raises
    ------
    FirelabError
        If there is no plan, the log has a fault, the port is taken, or the
        certificate would be refused.
    """
    bench = Bench(folder=offered.folder)
    bench.state()  # a fault of the folder is told before any phone is let in
    admission = open_admission(offered.folder, forget=offered.forget)
    host = offered.host or local_address()
    tls = _tls(offered, host)
    is_encrypted = tls is not None

    def new_url() -> str:
        key = admission.new_key()
        return page_url(host, offered.port, key, is_encrypted=is_encrypted)

    def invite() -> None:
        url = new_url()
        square = square_text(url, in_colour=in_colour)
        show(f"{square}\n{url}\nThis square opens the page on one phone, once.")

    def joined() -> None:
        report(f"phone {admission.n_phones} came in; the next one scans:")
        invite()

    listener = listening_socket(offered.bind, offered.port)
    if page is not None:
        write_atomically(page, squares_pdf([new_url() for _ in range(phones)]))
        report(f"{page}: {phones} squares, one for each phone; throw it away afterwards")
    app = kilnside_app(bench, admission, report=report, joined=joined)
    config = uvicorn.Config(
        app,
        log_level="critical",
        server_header=False,
        access_log=False,
        timeout_keep_alive=30,
        http=PatientProtocol,
        timeout_graceful_shutdown=2,
    )
    config.load()
    config.ssl = tls
    invite()
    if is_encrypted or host not in _THIS_MACHINE:
        report(_KEPT if is_encrypted else _NOT_KEPT)
    report("Ctrl-C stops it; phones keep what they hold and send it when it is back.")
    try:
        uvicorn.Server(config).run(sockets=[listener])
    except KeyboardInterrupt:
        pass
    finally:
        listener.close()


def _tls(offered: Offered, host: str) -> ssl.SSLContext | None:
    if offered.certificate is None or offered.key is None:
        if offered.certificate != offered.key:
            given, other = ("--certificate", "--key")[:: 1 if offered.certificate else -1]
            raise UsageError(f"{given} needs {other}", hint="https takes the two of a pair")
        return None
    return tls_context(offered.certificate, offered.key, host=host)
