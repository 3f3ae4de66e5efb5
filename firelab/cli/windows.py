"""`firelab windows`: the firing window of every setting, or why there is none."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import EXIT_UNSUPPORTED, quoted

EXAMPLE = "firelab windows marsh-green"


def command(
    folder: console.SeriesFolder = Path("."),
    probability: Annotated[
        float | None,
        typer.Option(
            "--probability", help="Share of tiles asked for, such as 0.8; else the series'."
        ),
    ] = None,
    confidence: Annotated[
        float | None,
        typer.Option(
            "--confidence", help="How sure of that, such as 0.8; else the series'."
        ),
    ] = None,
    place: Annotated[
        int | None,
        typer.Option(
            "--place", min=1, help="Place of the rack it is for; else any of them."
        ),
    ] = None,
    thickness: Annotated[
        str | None,
        typer.Option(
            "--thickness", help='Blank of the piece, such as "1.2 mm" or "16 gauge".'
        ),
    ] = None,
    metal: Annotated[
        str | None, typer.Option("--metal", help="Metal of the piece; else the tiles'.")
    ] = None,
    as_json: console.AsJson = False,
) -> None:
    """Say what to set, how far you may be off, and what to expect.

    Writes windows.json and windows.csv from the fit of fit.json: run firelab fit
    first. With --thickness or --metal the answer is for a piece whose blank warms up
    later or sooner than the tiles, in files of its own name. Exit 3 where no setting has
    a recipe yet; why, and what would settle it, is said.
    """
    from firelab.windows.firing_windows import firing_windows
    from firelab.windows.fit_file import (
        ask_window,
        blank_asked,
        fit_folder,
        fresh_fit_options,
        write_windows,
    )
    from firelab.windows.sequential.next_firing import next_firing

    with console.exit_on_fault(as_json=as_json):
        found = fit_folder(folder, fresh_fit_options(folder), sensitivity=False)
        fit = ask_window(
            found.stage, probability=probability, confidence=confidence, place=place
        )
        blank = blank_asked(found.records.series.blank, thickness, metal)
        windows = firing_windows(fit, found.clarity, blank=blank)
        written = write_windows(folder, windows, invented=found.invented)
        if as_json:
            console.result_json(windows.to_dict())
        else:
            console.result(windows.summary())
            if found.records.plan.is_sequential and not (found.clarity or blank):
                chosen = next_firing(found.records, fit=fit)
                for line in filter(None, (chosen.one_more_tile(), chosen.stop_line())):
                    console.result(line)
        then = "report" if windows.has_recipe else "next"
        console.remark(f"wrote {written}; next: firelab {then} {quoted(folder)}")
        if not windows.has_recipe:
            console.leave(EXIT_UNSUPPORTED)
