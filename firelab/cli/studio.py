"""`firelab learn`, `lot`, `kiln` and `board`: what a studio's series tell together."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import UsageError, quoted

EXAMPLES = {
    "learn": "firelab learn bundles",
    "lot": "firelab lot marsh-green marsh-green-2",
    "kiln": "firelab kiln my-studio --figure",
    "board": "firelab board my-studio",
}


def learn_command(
    folder: Annotated[
        Path, typer.Argument(help="Studio folder, or a folder of bundles.")
    ] = Path("."),
    jobs: Annotated[
        int, typer.Option(min=1, help="Advanced: processes that fit the series.")
    ] = 1,
    dask: Annotated[
        str,
        typer.Option(
            "--dask", help="Advanced: address of a Dask scheduler; local starts one."
        ),
    ] = "",
    as_json: console.AsJson = False,
) -> None:
    """Learn from every series of a studio what to expect of a new jar.

    Series of one kind, metal and scale of grades are held together, each by all that
    its fit leaves open; three are the fewest. Writes history.json, with which a new
    series begins: firelab new FOLDER --like STUDIO.
    """
    from firelab.cli.foresee import cluster_backend
    from firelab.memory.history import write_history
    from firelab.memory.learn import learn_history

    with console.exit_on_fault(as_json=as_json):
        with cluster_backend(dask) as backend:
            history = learn_history(
                folder,
                n_jobs=jobs,
                backend=backend,
                tell=lambda done, whole: console.progress(f"{done} of {whole} series"),
            )
        console.progress_done()
        written = write_history(folder, history)
        for line in history.left_out:
            console.remark(f"left out: {line}")
        if as_json:
            console.result_json(history.to_dict())
            return
        console.result(history.summary())
        then = f"; next: firelab new JAR --like {quoted(folder)}"
        console.remark(f"wrote {written}{then * history.has_learned}")


def lot_command(
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
            _plan_lot(old, new, tiles)
            return
        console.progress("fitting the old jar")
        found = compare_lots(old, new, within_degC=margin)
        console.progress_done()
        if as_json:
            console.result_json(found.to_dict())
            return
        console.result(found.summary())


def _plan_lot(old: Path, new: Path, tiles: int) -> None:
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


def kiln_command(
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


def board_command(
    folder: Annotated[Path, typer.Argument(help="Studio folder.")] = Path("."),
    tile: Annotated[
        str,
        typer.Option(
            help="Show one tile, such as KE-AEX; several with --lies; a mark alone is all "
            "tiles of its series."
        ),
    ] = "",
    lies: Annotated[
        str, typer.Option(help="Where --tile lies, such as 'drawer 3': into tiles.csv.")
    ] = "",
    page: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    as_json: console.AsJson = False,
) -> None:
    """Write the tile board of a studio: board.html to search, board.pdf to hang up.

    Every tile that was fired stands there by colour, base, mesh, temperature and dwell,
    with its photograph, or drawn as its grade looks, where it lies, and what to set for
    its colour today. tiles.csv says where a tile lies: columns tile, lies, note.
    """
    from firelab.craft.trade_words import count_words
    from firelab.memory.board import read_board
    from firelab.memory.studio_tables import store_tiles
    from firelab.report.board_page import write_board

    with console.exit_on_fault(as_json=as_json):
        board = read_board(folder)
        for line in board.left_out:
            console.remark(f"left out: {line}")
        if lies.strip():
            named = [one for one in re.split(r"[,;]+", tile) if one.strip()]
            if not named:
                raise UsageError("no tile is named", "--lies", "add --tile KE-AEX")
            found = [one for name in named for one in board.find(name)]
            names = [name.strip().upper() for name in named]
            path = store_tiles(folder, names, lies.strip())
            console.result(f"{path}: {count_words(len(found), 'tile')} in {lies.strip()}")
            return
        if tile.strip():
            shown = board.find(tile)
            if as_json:
                console.result_json({"tiles": [one.line() for one in shown]})
                return
            for one in shown:
                console.result(one.line())
            for words in board.recipes(shown):
                console.result(words)
            return
        written = write_board(board, folder, page=page)
        if as_json:
            console.result_json(board.to_dict())
            return
        console.result(board.summary())
        for path in written:
            console.remark(f"wrote {path}")
