"""`firelab kilnside`: the recording page for phones beside the kiln."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console

EXAMPLE = "firelab kilnside marsh-green"
PORT = 8423


def command(
    folder: Annotated[Path, typer.Argument(help="Series folder.")] = Path("."),
    port: Annotated[
        int, typer.Option(min=1, max=65535, help="Port; keep it, so phones find it again.")
    ] = PORT,
    host: Annotated[
        str, typer.Option(help="Address to show; else that on the local network.")
    ] = "",
    bind: Annotated[
        str, typer.Option(help="Address to listen on; 127.0.0.1 keeps it to itself.")
    ] = "0.0.0.0",
    page: Annotated[
        Path | None,
        typer.Option(help="Write a PDF of one-time squares, one for each phone."),
    ] = None,
    phones: Annotated[
        int, typer.Option(min=1, max=60, help="How many squares that PDF holds.")
    ] = 6,
    forget: Annotated[
        bool, typer.Option("--forget", help="Let no phone in that came in before.")
    ] = False,
) -> None:
    """Serve the recording page to phones on the local network, until Ctrl-C.

    Scan the square: each opens the page on one phone, once. Looks are kept on the
    phone until the log has them. Use it on a network that you trust: what is
    sent is not encrypted.
    """
    with console.exit_on_fault():
        from firelab.kilnside.serving import Offered, serve

        serve(
            Offered(folder=folder, port=port, host=host, bind=bind, forget=forget),
            page=page,
            phones=phones,
            report=console.remark,
            show=console.result,
            in_colour=console.shows_colour(),
        )
