"""`firelab kiln`: the kiln over months, from control tiles and known colours."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab kiln my-studio --figure"


def command(
    folder: Annotated[Path, typer.Argument(help="Studio folder.")] = Path("."),
    kiln: Annotated[
        str, typer.Option("--kiln", help="Name of a kiln of the studio; else its first.")
    ] = "",
    correct: Annotated[
        bool,
        typer.Option("--correct", help="Enter the step or drift found in studio.toml."),
    ] = False,
    figure: Annotated[
        bool, typer.Option("--figure", help="Draw figures/kiln.png in the studio.")
    ] = False,
    as_json: console.AsJson = False,
) -> None:
    """Say whether the kiln still is what it was, since when not, and by how much.

    Each session is held to its control tiles and to tiles of colours that an earlier
    series tested; they tell most where a grade passes into the next. A step or a drift is
    named with its day; with --correct it goes into studio.toml, and every window of the
    studio is told as it is from then on: what to set, and where its edges are.
    """
    from firelab.memory.kiln_watch import enter_correction, watch_kiln
    from firelab.memory.windows_today import windows_today

    with console.exit_on_fault(as_json=as_json):
        console.progress("fitting the known colours")
        found = watch_kiln(folder, kiln)
        console.progress_done()
        for line in found.left_out:
            console.remark(f"left out {line}")
        if figure:
            from firelab.charts.kiln_chart import draw_kiln_chart
            from firelab.charts.style import save_figure

            png, _ = save_figure(draw_kiln_chart(found), folder / "figures" / "kiln")
            console.remark(f"drew {png}")
        entered = enter_correction(folder, found) if correct else ""
        windows, unread = windows_today(folder)
        moved = [one for one in windows if one.moved_degC and one.kiln == found.kiln]
        for line in unread:
            console.remark(f"windows left out: {line}")
        if as_json:
            told = [one.to_dict() for one in moved]
            console.result_json({**found.to_dict(), "windows": told})
            return
        console.result(found.summary())
        if entered:
            console.result(f"Entered in studio.toml: {entered}.")
        elif found.change is not None:
            console.remark(f"to correct it: firelab kiln {quoted(folder)} --correct")
        for one in moved:
            console.result(one.line())
