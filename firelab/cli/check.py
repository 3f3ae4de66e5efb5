"""`firelab check`: every fault of a series folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import EXIT_FINDINGS

EXAMPLE = "firelab check marsh-green"


def command(
    folder: Annotated[Path, typer.Argument(help="Series folder.")] = Path("."),
    as_json: Annotated[bool, typer.Option("--json", help="Findings as JSON.")] = False,
) -> None:
    """Name every fault of a series folder at once, and say what comes next.

    It reads series.toml, the plan, the firing log, kiln traces, and whether fit
    and windows are stale. Nothing is changed.
    """
    from firelab.records.folder_check import check_folder

    with console.faults_told(as_json=as_json):
        found = check_folder(folder)
        if as_json:
            console.result_json(
                {
                    "schema": "firelab/findings/1",
                    "findings": [one.to_dict() for one in found.findings],
                    "standing": list(found.standing),
                    "next": found.next_step,
                }
            )
        else:
            for line in found.standing:
                console.tell(line)
            console.findings(found.findings)
            if not found.findings:
                console.result(f"no faults; next: {found.next_step}")
        if found.findings:
            console.leave(EXIT_FINDINGS)
