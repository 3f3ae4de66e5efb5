"""`firelab verify`: a series recomputed from its raw tables."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import EXIT_FINDINGS, FaultyFile, FirelabError

EXAMPLE = "firelab verify their-marsh-green"


def command(
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
