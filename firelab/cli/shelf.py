"""`firelab shelf`: bundles indexed, searched, and shown on one page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console
from firelab.craft.trade_words import count_words

if TYPE_CHECKING:
    from firelab.studios.shelf.shelf import ShelfChange

EXAMPLES = {
    "shelf": (
        "firelab shelf bundles --kind opaque --metal copper --stage full "
        "--heat '1450 degF' --within '2 min'"
    )
}


def shelf_command(
    folder: Annotated[Path, typer.Argument(help="Folder of bundles.")] = Path("."),
    colour: Annotated[
        str, typer.Option(help="Part of a colour's name, or its maker's code.")
    ] = "",
    kind: Annotated[str, typer.Option(help="opaque, transparent or opalescent.")] = "",
    metal: Annotated[str, typer.Option(help="Such as copper.")] = "",
    base: Annotated[str, typer.Option(help="What lies under it; none is bare.")] = "",
    lead: Annotated[str, typer.Option(help="lead-free, lead-bearing or unknown.")] = "",
    mesh: Annotated[int | None, typer.Option(min=1, help="Sieve number.")] = None,
    stage: Annotated[str, typer.Option(help="Grade that is wanted, such as full.")] = "",
    heat: Annotated[str, typer.Option(help="Kiln temperature, such as '1450 degF'.")] = "",
    within: Annotated[str, typer.Option(help="Longest dwell, such as '2 min'.")] = "",
    sure: Annotated[
        bool, typer.Option("--sure", help="Leave out what is only likely.")
    ] = False,
    most: Annotated[int, typer.Option(min=1, help="Answers at most.")] = 50,
    page: Annotated[Path | None, typer.Option(help="HTML page to write.")] = None,
    parquet: Annotated[
        Path | None, typer.Option(help="Advanced: folder for the tables as Parquet.")
    ] = None,
    partitioned: Annotated[
        bool,
        typer.Option("--partitioned", help="With --parquet: folders by kind and metal."),
    ] = False,
    site: Annotated[
        Path | None, typer.Option(help="Folder for a site of small pages, by colour.")
    ] = None,
    jobs: Annotated[
        int, typer.Option(min=1, help="Advanced: processes that read bundles.")
    ] = 1,
    as_is: Annotated[
        bool, typer.Option("--as-is", help="Ask the index as it is; read no bundle.")
    ] = False,
    as_json: console.AsJson = False,
) -> None:
    """Index the bundles below a folder and answer a question about them.

    The index is shelf.duckdb in that folder; bundles that have not changed are
    not read again. A bundle that fails its seal is named and left out.
    """
    from firelab.craft.units import (
        parse_duration,
        parse_temperature,
        unit_of_temperature,
    )
    from firelab.series.folder import write_atomically
    from firelab.studios.shelf.pages import shelf_page, write_site
    from firelab.studios.shelf.question import ShelfQuestion, ask_shelf
    from firelab.studios.shelf.shelf import export_parquet, refresh_shelf

    with console.exit_on_fault(as_json=as_json):
        question = ShelfQuestion(
            colour=colour,
            kind=kind,
            metal=metal,
            base=base,
            lead=lead,
            mesh=mesh,
            stage=stage,
            at_degC=parse_temperature(heat) if heat else None,
            within_s=parse_duration(within) if within else None,
            sure=sure,
            reads=unit_of_temperature(heat),
        )
        if not as_is:
            _tell_change(refresh_shelf(folder, jobs=jobs, tell=_show_progress))
        answer = ask_shelf(folder, question, most=most)
        if page is not None:
            write_atomically(page, shelf_page(folder))
            console.remark(f"wrote {page}")
        if site is not None:
            pages = write_site(folder, site)
            console.remark(f"wrote {pages[0]} and {len(pages) - 1} pages")
        if parquet is not None:
            for path in export_parquet(folder, parquet, partitioned=partitioned):
                console.remark(f"wrote {path}")
        if as_json:
            console.result_json(answer.to_dict())
        else:
            console.result(answer.summary())


def _show_progress(done: int, whole: int) -> None:
    console.progress(f"{done} of {whole} bundles read")


def _tell_change(change: ShelfChange) -> None:
    console.progress_done()
    if not change.added and not change.kept:
        console.remark("no bundle stands here; one is made with: firelab pack FOLDER")
    read = count_words(change.added, "bundle")
    console.remark(f"{read} read, {change.kept} unchanged, {change.gone} gone")
    for file, fault in change.refused:
        named = "" if fault.startswith(file) else f"{file}: "
        console.remark(f"left out: {named}{fault}")
