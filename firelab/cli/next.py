"""`firelab next`: the next tiles to fire, or why to stop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console

if TYPE_CHECKING:
    from firelab.records.records import Records
    from firelab.windows.next_tiles import NextTiles

EXAMPLE = "firelab next marsh-green --loads 2"


def command(
    folder: Annotated[Path, typer.Argument(help="Series folder.")] = Path("."),
    loads: Annotated[
        int, typer.Option("--loads", min=1, max=12, help="How many loads to choose.")
    ] = 1,
    places: Annotated[
        int | None, typer.Option("--places", min=1, help="Tiles a load; else the kiln's.")
    ] = None,
    beyond: Annotated[
        bool, typer.Option("--beyond", help="Choose on though a recipe is assured.")
    ] = False,
    add: Annotated[
        bool, typer.Option("--add", help="Write them into the plan as a further session.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The choice as JSON.")] = False,
) -> None:
    """Choose the next load: what shrinks the edges most per kiln hour; write next.csv.

    It takes the fit of fit.json, stays within the powder, blanks, loads and
    hours that are left and within the rules, and says when to stop. With --add
    the tiles get codes and a session of their own; print it with firelab sheets
    --session.
    """
    from firelab.windows.answer_files import write_next
    from firelab.windows.firing_windows import firing_windows
    from firelab.windows.fit_file import fit_folder, fresh_fit_options
    from firelab.windows.next_tiles import next_tiles

    with console.faults_told(as_json=as_json):
        found = fit_folder(folder, fresh_fit_options(folder), sensitivity=False)
        windows = None if beyond else firing_windows(found.stage, found.clarity)
        chosen = next_tiles(
            found.stage, found.records.plan, windows=windows, n_loads=loads, places=places
        )
        written = write_next(folder, chosen, invented=found.invented)
        if as_json:
            console.result_json(chosen.to_dict())
        else:
            console.result(chosen.summary())
        if chosen.stop or not add:
            console.tell(f"wrote {written}")
            return
        _add_session(folder, chosen, found.records)


def _add_session(folder: Path, chosen: NextTiles, records: Records) -> None:
    from firelab.plan.extend import extend_plan
    from firelab.plan.plan_files import write_plan

    longer = extend_plan(
        records.series, records.plan, chosen.table, note="chosen by firelab next"
    )
    write_plan(longer, folder, invented=records.series.invented)
    session = int(longer.tiles["session"].max())
    new = longer.tiles[longer.tiles["session"] == session]
    console.tell(
        f"session {session} planned: tiles {', '.join(new['tile'])}; "
        f"next: firelab sheets {folder} --session {session}"
    )
