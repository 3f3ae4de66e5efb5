"""`firelab lot`: whether a jar is the old one again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab lot marsh-green marsh-green-2"


def command(
    old: Annotated[Path, typer.Argument(help="Series folder of the old jar.")],
    new: Annotated[
        Path, typer.Argument(help="Folder of the new jar; made where it is not.")
    ],
    tiles: Annotated[int, typer.Option("--tiles", help="How many to plan, 4 to 8.")] = 6,
    within: Annotated[
        str, typer.Option("--within", help="What counts as the same, such as '15 degF'.")
    ] = "",
    as_json: console.AsJson = False,
) -> None:
    """Plan the few tiles that tell whether a jar is the old one again, then answer.

    The first call makes the new folder with its plan and sheets; once its tiles are
    recorded, the same call answers, with the recipe for the new jar. It serves a new
    thermocouple, a new element or a mended kiln too: fire the old jar's tiles anew.
    Enamel dust, heat and glare can hurt: the sheets print the cautions.
    """
    from firelab.craft.units import parse_temperature_difference
    from firelab.memory.lot import compare_lots
    from firelab.series.folder import FIRINGS_FILE

    with console.exit_on_fault(as_json=as_json):
        margin = parse_temperature_difference(within) if within else None
        if not (new / FIRINGS_FILE).is_file():
            _plan(old, new, tiles)
            return
        console.progress("fitting the old jar")
        found = compare_lots(old, new, within_degC=margin)
        console.progress_done()
        if as_json:
            console.result_json(found.to_dict())
            return
        console.result(found.summary())


def _plan(old: Path, new: Path, tiles: int) -> None:
    from firelab.memory.lot import plan_lot, start_lot
    from firelab.plan.plan_files import write_plan
    from firelab.series.folder import PLAN_TABLE, SERIES_FILE, SHEETS_FILE, write_atomically
    from firelab.series.series_file import read_series
    from firelab.sheets.sheet_set import make_sheets

    if not (new / SERIES_FILE).is_file():
        start_lot(old, new)
    if not (new / PLAN_TABLE).is_file():
        plan = plan_lot(old, new, n_tiles=tiles)
        series = read_series(new)
        write_plan(plan, new, invented=series.invented)
        write_atomically(new / SHEETS_FILE, make_sheets(series, plan))
        console.result(f"{series.name}: {plan.summary()}")
        console.remark(f"wrote {new / PLAN_TABLE} and {new / SHEETS_FILE}")
    console.result(
        f"fire them, then: firelab record looks.csv {quoted(new)}, and "
        f"firelab lot {quoted(old)} {quoted(new)}"
    )
