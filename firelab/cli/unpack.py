"""`firelab unpack`: a verified bundle as a series folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab unpack marsh-green.zip their-marsh-green"


def command(
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
    from firelab.errors import FirelabError
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
