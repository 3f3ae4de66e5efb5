"""`firelab kilnside`: the recording page for phones beside the kiln."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab kilnside marsh-green --network"
PORT = 8423
_HERE = "127.0.0.1"


def command(
    folder: console.SeriesFolder = Path("."),
    port: Annotated[
        int, typer.Option(min=1, max=65535, help="Port; keep it, so phones find it again.")
    ] = PORT,
    host: Annotated[
        str, typer.Option(help="Address to show; else that on the local network.")
    ] = "",
    network: Annotated[
        bool, typer.Option("--network", help="Let phones on the local network in.")
    ] = False,
    bind: Annotated[
        str, typer.Option(help="Advanced: address to listen on; else this machine.")
    ] = "",
    page: Annotated[
        Path | None,
        typer.Option(help="Write a PDF of one-time squares, one for each phone."),
    ] = None,
    phones: Annotated[
        int, typer.Option(min=1, max=60, help="How many squares that PDF holds.")
    ] = 6,
    certificate: Annotated[
        Path | None, typer.Option(help="Serve by https: certificate in PEM; with --key.")
    ] = None,
    key: Annotated[
        Path | None, typer.Option(help="Private key of the certificate, in PEM.")
    ] = None,
    forget: Annotated[
        bool, typer.Option("--forget", help="Let no phone in that came in before.")
    ] = False,
) -> None:
    """Serve the recording page on this machine, until Ctrl-C; --network for phones.

    Scan the square: each opens the page on one phone, once. Looks are kept on the
    phone until the log has them. Use it on a network that you trust: by http what is
    sent is not encrypted, and a reload without connection loses the page. With a
    certificate that the phones trust (README) it is encrypted, and the page stays.
    """
    with console.exit_on_fault():
        from firelab.kilnside.serving import Offered, serve

        if not (network or bind):
            phones_too = f"firelab kilnside {quoted(folder)} --network"
            console.remark(f"on this machine alone; for phones: {phones_too}")
        serve(
            Offered(
                folder=folder,
                port=port,
                host=host or ("" if network or bind else _HERE),
                bind=bind or ("0.0.0.0" if network else _HERE),
                forget=forget,
                certificate=certificate,
                key=key,
            ),
            page=page,
            phones=phones,
            report=console.remark,
            show=lambda square: console.result(square, obeyed=True),
            in_colour=console.shows_colour(),
        )
