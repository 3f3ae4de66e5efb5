"""`firelab sheets` and `firelab kilnside`: paper and a phone's page, taken to the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLES = {
    "sheets": "firelab sheets marsh-green --page a4 --labels cut",
    "kilnside": "firelab kilnside marsh-green --network",
}


def sheets_command(
    folder: Annotated[Path, typer.Argument(help="Series folder with a plan.")] = Path(),
    page: Annotated[str, typer.Option(help="Paper: a4 or letter.")] = "a4",
    labels: Annotated[
        str,
        typer.Option(
            help="Label size WIDTHxHEIGHT in mm; 'list' of common stocks; 'cut' for cut "
            "lines; else as the studio states, or cut."
        ),
    ] = "",
    margins: Annotated[
        str | None, typer.Option(help="Left and top margin of the stock, LEFTxTOP in mm.")
    ] = None,
    gaps: Annotated[
        str | None, typer.Option(help="Gaps between labels, ACROSSxDOWN in mm.")
    ] = None,
    for_class: Annotated[
        bool, typer.Option("--class", help="Add pages for each student.")
    ] = False,
    students: Annotated[
        Path | None, typer.Option(help="Names of the class, one a line; implies --class.")
    ] = None,
    session: Annotated[
        int | None, typer.Option(help="Print only this session's tiles.")
    ] = None,
    output: Annotated[
        Path | None, typer.Option(help="PDF to write; else sheets.pdf in the folder.")
    ] = None,
) -> None:
    """Print the sheets of a plan: cautions, preparation, labels, kiln, tray, record.

    The same plan gives the same PDF to the byte.
    """
    from firelab.memory.studio import stated_label_stock
    from firelab.plan.plan_files import read_plan
    from firelab.records.what_changed import changed_since
    from firelab.series.folder import SHEETS_FILE, write_atomically
    from firelab.series.series_file import read_series
    from firelab.sheets.fitting import unprintable
    from firelab.sheets.labels import label_stock_words, parse_label_stock
    from firelab.sheets.sheet_set import make_sheets
    from firelab.sheets.student_page import read_class_list

    with console.exit_on_fault():
        if labels.strip().lower() == "list":
            console.result(label_stock_words())
            return
        series = read_series(folder)
        labels = labels or stated_label_stock(folder)
        stock = parse_label_stock(labels, margins=margins, gaps=gaps, page=page)
        names = read_class_list(students) if students else () if for_class else None
        plan = read_plan(folder, series)
        changed = changed_since(folder, plan.provenance.to_dict(), "plan")
        if changed:
            console.remark(
                f"the plan is stale: {', '.join(changed)} changed since it was made\n"
                f"  hint: make it anew with: firelab plan {quoted(folder)}"
            )
        lost = unprintable(" ".join([series.name, series.enamel.colour, *(names or ())]))
        if lost:
            console.remark(f"the sheets show an open square for: {lost}")
        printed = make_sheets(
            series,
            plan,
            page=page,
            label_stock=stock,
            students=names,
            session=session,
        )
        target = output if output is not None else folder / SHEETS_FILE
        write_atomically(target, printed)
        console.result(f"{target}: print it at 100 %, not fitted to the page")
        console.remark(
            f"next: fire, then: firelab record looks.csv {quoted(folder)}, or beside the "
            f"kiln: firelab kilnside {quoted(folder)} --network"
        )


PORT = 8423
_HERE = "127.0.0.1"


def kilnside_command(
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
