"""`firelab pool`: several studios' bundles of one colour."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from firelab.cli import console

if TYPE_CHECKING:
    import numpy as np

    from firelab.studios.pooling.pool_fit import PooledStage
    from firelab.studios.round_robin import RoundRobin

EXAMPLES = {"pool": "firelab pool north.zip south.zip east.zip"}


def pool_command(
    bundles: Annotated[
        list[Path] | None, typer.Argument(help="Bundles or series folders of one colour.")
    ] = None,
    carry: Annotated[
        Path | None,
        typer.Option(help="Series folder of a new studio, with looks or without any."),
    ] = None,
    sheets: Annotated[
        bool,
        typer.Option("--sheets", help="With --carry: plan and print its next tiles."),
    ] = False,
    summaries: Annotated[
        Path | None,
        typer.Option(
            help="CSV of edges where tiles are not shared: studio, material, value, "
            "lower, upper (degC), level."
        ),
    ] = None,
    controls: Annotated[
        int, typer.Option(min=1, max=12, help="Advanced: control tiles tried for a studio.")
    ] = 6,
    same_colour: Annotated[
        bool,
        typer.Option("--same-colour", help="Names that differ are one colour: join them."),
    ] = False,
    figure: Annotated[
        Path | None, typer.Option(help="Consistency figure, as PNG and SVG of this name.")
    ] = None,
    tables: Annotated[
        Path | None,
        typer.Option(help="Folder for the tables of a round robin (ASTM E691) as CSV."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="JSON file to write.")] = None,
    as_json: console.AsJson = False,
) -> None:
    """Pool several studios' tiles of one colour: shifts, windows, precision.

    Control tiles of a shared colour tell a kiln's offset from the studio's own
    hand. `--carry` takes the window to a further studio and chooses the tiles that
    tell it most. A tile is fired like any other: mind dust, heat and glare.
    """
    from firelab.errors import UsageError

    with console.exit_on_fault(as_json=as_json):
        if summaries is not None:
            _pool_summaries(summaries, as_json=as_json)
            return
        if not bundles:
            raise UsageError(
                "nothing to pool",
                "BUNDLES",
                f"name two bundles or more: {EXAMPLES['pool']}",
            )
        if sheets and carry is None:
            raise UsageError(
                "no folder to print sheets for", "--sheets", "name it: --carry FOLDER"
            )
        content, text = _pool(
            bundles,
            carry,
            controls,
            figure,
            tables,
            same_colour=same_colour,
            sheets=sheets,
        )
        if out is not None:
            from firelab.series.folder import json_text, write_atomically

            write_atomically(out, json_text(content))
            console.remark(f"wrote {out}")
        if as_json:
            console.result_json(content)
        else:
            console.result(text)


def _pool(
    bundles: list[Path],
    carry: Path | None,
    controls: int,
    figure: Path | None,
    tables: Path | None,
    *,
    same_colour: bool,
    sheets: bool,
) -> tuple[dict[str, Any], str]:
    import numpy as np

    from firelab.studios.pooling.part import read_part
    from firelab.studios.pooling.pooling import pool_parts

    parts = [read_part(path) for path in bundles]
    rng = np.random.default_rng(parts[0].records.series.seed)
    console.progress("pooling")
    pooling = pool_parts(parts, rng=rng, most_controls=controls, same_colour=same_colour)
    console.progress_done()
    content, text = pooling.to_dict(), pooling.summary()
    if carry is not None:
        carried, words = _carry(
            pooling.fit,
            carry,
            rng,
            most=controls,
            same_colour=same_colour,
            sheets=sheets,
        )
        content["carried"] = carried
        text += "\n\n" + words
    if tables is not None:
        _write_tables(pooling.round_robin, tables)
    if figure is not None:
        from firelab.charts.studio_consistency import draw_consistency
        from firelab.charts.style import save_figure

        for path in save_figure(draw_consistency(pooling), figure):
            console.remark(f"wrote {path}")
    return content, text


def _write_tables(found: RoundRobin | None, folder: Path) -> None:
    from firelab.errors import RecordsInsufficient
    from firelab.series.folder import write_atomically

    if found is None:
        raise RecordsInsufficient(
            "these bundles are of no round robin",
            "--tables",
            "plan one with: firelab new FOLDER --round-robin 6",
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in found.tables.items():
        write_atomically(folder / f"{name}.csv", table.to_csv(index=False))
        console.remark(f"wrote {folder / f'{name}.csv'}")


def _carry(
    fit: PooledStage,
    folder: Path,
    rng: np.random.Generator,
    *,
    most: int,
    same_colour: bool,
    sheets: bool,
) -> tuple[dict[str, Any], str]:
    from firelab.plan.plan_files import write_plan
    from firelab.series.folder import SHEETS_FILE, write_atomically
    from firelab.series.series_file import read_series
    from firelab.sheets.sheet_set import make_sheets
    from firelab.studios.pooling.carrying import carry_window, plan_carried_tiles

    carried = carry_window(fit, folder, rng=rng, most=most, same_colour=same_colour)
    if sheets and carried.needed.wanted.empty:
        console.remark("no tile is needed before the window is used: no sheets are printed")
    elif sheets:
        series = read_series(folder)
        plan = plan_carried_tiles(folder, carried)
        session = int(plan.table["session"].max())
        printed = make_sheets(series, plan, session=session)
        write_plan(plan, folder, invented=series.invented)
        write_atomically(folder / SHEETS_FILE, printed)
        console.remark(f"wrote {folder / SHEETS_FILE} and the plan of session {session}")
    return carried.to_dict(), carried.summary()


def _pool_summaries(path: Path, *, as_json: bool) -> None:
    import pandas as pd

    from firelab.errors import FirelabError, RecordsInsufficient
    from firelab.studios.pooling.meta_analysis import combine_edges

    try:
        measured = pd.read_csv(path)
    except (ValueError, UnicodeDecodeError) as fault:
        raise FirelabError(
            f"is not a table: {fault}", str(path), "save it as CSV UTF-8"
        ) from None
    for name in ("value", "lower", "upper", "level"):
        if name in measured:
            measured[name] = pd.to_numeric(measured[name], errors="coerce")
    found = combine_edges(measured)
    if not found:
        raise RecordsInsufficient(
            "no edge was met by two studios with a whole interval",
            str(path),
            "two studios are the fewest",
        )
    if as_json:
        console.result_json(
            {
                "schema": "firelab/meta-edges/1",
                "edges": {name: one.to_dict() for name, one in found.items()},
            }
        )
        return
    for name, one in found.items():
        console.result(f"{name}: {one.summary()}")
