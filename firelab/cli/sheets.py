"""`firelab sheets`: labels, preparation, kiln and record sheets as one PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab sheets marsh-green --page a4 --labels cut"


def command(
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
