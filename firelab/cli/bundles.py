"""`firelab pack`, `unpack`, `verify` and `shelf`: bundles that travel, and are searched."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console
from firelab.craft.trade_words import count_words
from firelab.errors import EXIT_FINDINGS, FaultyFile, FirelabError, UsageError, quoted

if TYPE_CHECKING:
    from firelab.studios.shelf.shelf import ShelfChange

EXAMPLES = {
    "pack": "firelab pack marsh-green --licence CC-BY-4.0 --studio 'North kiln'",
    "unpack": "firelab unpack marsh-green.zip their-marsh-green",
    "verify": "firelab verify their-marsh-green",
    "shelf": (
        "firelab shelf bundles --kind opaque --metal copper --stage full "
        "--heat '1450 degF' --within '2 min'"
    ),
}


def pack_command(
    folder: console.SeriesFolder = Path("."),
    licence: Annotated[
        str,
        typer.Option(
            help="Terms for others: CC0-1.0, CC-BY-4.0, CC-BY-SA-4.0, CC-BY-NC-4.0, "
            "ODbL-1.0 or other-closed. You choose; there is no default."
        ),
    ] = "",
    studio: Annotated[
        str, typer.Option(help="How the studio wants to be called; blank leaves it out.")
    ] = "",
    names: Annotated[
        str, typer.Option(help="Observers' names become codes or initials, or keep them.")
    ] = "codes",
    without_notes: Annotated[
        bool,
        typer.Option("--without-notes", help="Leave out notes and comments."),
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="File to write; by default FOLDER.zip beside it.")
    ] = None,
    as_json: console.AsJson = False,
) -> None:
    """Pack a series into one zip: plan, log, fit, windows, report, figures, photos.

    The bundle is a Data Package (Frictionless open standard); each file has its
    SHA-256. Observers' names are replaced, photos lose place, time and owner.
    The same content gives the same bytes.
    """
    from firelab.series.folder import write_atomically
    from firelab.studios.bundle.deposit import LICENCES, read_origin
    from firelab.studios.bundle.packing import pack_series
    from firelab.studios.bundle.privacy import name_form

    with console.exit_on_fault(as_json=as_json):
        if not licence and read_origin(folder) is None:
            raise UsageError(
                "no licence is chosen",
                "--licence",
                f"such as: firelab pack {quoted(folder)} --licence CC-BY-4.0; there are "
                + "; ".join(f"{key} ({one[0]})" for key, one in LICENCES.items()),
            )
        bundle = pack_series(
            folder,
            licence=licence,
            studio=studio,
            names=name_form(names),
            drop_notes=without_notes,
        )
        if not as_json:
            for note in bundle.notes:
                console.remark(note)
        raw = bundle.raw
        target = out or _beside(folder)
        if not target.parent.is_dir():
            raise UsageError(
                f"there is no folder {target.parent}",
                f"--out {target}",
                f"make it first, or leave --out out: {_beside(folder)} is written then",
            )
        write_atomically(target, raw)
        if as_json:
            console.result_json(
                {
                    "schema": "firelab/packed/1",
                    "file": str(target),
                    "bytes": len(raw),
                    "sha256": bundle.sha256,
                    "files": sorted(bundle.contents),
                    "notes": list(bundle.notes),
                }
            )
            return
        console.result(f"{target}: {len(bundle.contents)} files, {len(raw)} bytes")
        console.result(f"SHA-256 {bundle.sha256}: give it by another way than the bundle")


def _beside(folder: Path) -> Path:
    """Return the bundle beside a folder, written as the folder was."""
    named = folder if folder.name and folder.name != ".." else folder.resolve()
    return named.with_name(f"{named.name}.zip")


def unpack_command(
    bundle: Annotated[Path, typer.Argument(help="The bundle, a zip of firelab pack.")],
    folder: Annotated[
        Path | None, typer.Argument(help="New folder; by default named as the bundle.")
    ] = None,
    sha256: Annotated[
        str, typer.Option(help="SHA-256 that the studio gave by another way.")
    ] = "",
    check: Annotated[
        bool, typer.Option("--check", help="Verify the bundle; write nothing.")
    ] = False,
    as_json: console.AsJson = False,
) -> None:
    """Verify a bundle, then unpack it: all of its files or none.

    Each altered, missing, extra, oversized, doubled or escaping file is named,
    and then nothing is written.
    """
    from firelab.studios.bundle.bundle import read_bundle, unpack_bundle

    with console.exit_on_fault(as_json=as_json):
        opened = read_bundle(bundle)
        digest = opened.sha256
        if sha256 and sha256.strip().casefold() != digest:
            raise FirelabError(
                f"has SHA-256 {digest}, not {sha256.strip()}",
                bundle.name,
                "it is whole, but not the bundle that the studio named: ask again",
            )
        target = folder or Path(bundle.name).with_suffix("")
        if not check:
            unpack_bundle(opened, target)
        licence = opened.descriptor.get("licenses", [{}])[0].get("title", "not stated")
        if as_json:
            console.result_json(
                {
                    "schema": "firelab/unpacked/1",
                    "folder": None if check else str(target),
                    "sha256": digest,
                    "studio": opened.studio,
                    "licence": licence,
                    "files": sorted(opened.contents),
                }
            )
            return
        done = "whole" if check else f"unpacked to {target}"
        console.result(f"{bundle.name}: {len(opened.contents)} files, {done}")
        console.remark(f"studio: {opened.studio or 'not named'}; licence: {licence}")
        console.remark("a seal shows damage, not the sender: compare the SHA-256 with them")
        if not check:
            console.remark(f"next: firelab verify {quoted(target)}")


def verify_command(
    folder: Annotated[
        Path, typer.Argument(help="Unpacked series folder, or a bundle.")
    ] = Path("."),
    as_json: console.AsJson = False,
) -> None:
    """Recompute plan, fit and windows from the raw tables, and compare.

    Says to the digit where they agree, or where and why not: package versions
    may have drifted, or a file was changed. Exit 1 where anything differs.
    """
    from firelab.studios.bundle.bundle import read_bundle, unpack_bundle
    from firelab.studios.bundle.verification import verify_folder

    with console.exit_on_fault(as_json=as_json):
        if folder.is_dir():
            found = verify_folder(folder)
        else:
            with tempfile.TemporaryDirectory(prefix="firelab-") as place:
                unpacked = unpack_bundle(read_bundle(folder), place)
                try:
                    found = verify_folder(unpacked)
                except FaultyFile:
                    raise
                except FirelabError as fault:
                    # The folder is gone when this is read: name the bundle.
                    named = fault.where.replace(str(unpacked), folder.name)
                    raise type(fault)(fault.what, named, fault.hint) from None
        if as_json:
            console.result_json(found.to_dict())
        else:
            console.result(found.summary())
        if not found.agrees:
            console.leave(EXIT_FINDINGS)


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
