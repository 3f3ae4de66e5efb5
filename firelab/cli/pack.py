"""`firelab pack`: a series as one bundle that travels."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab pack marsh-green --licence CC-BY-4.0 --studio 'North kiln'"


def command(
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
    from firelab.errors import UsageError
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
