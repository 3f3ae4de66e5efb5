"""`firelab check`: every fault of a series folder."""

from __future__ import annotations

from pathlib import Path

from firelab.cli import console
from firelab.craft.trade_words import count_words
from firelab.errors import EXIT_FINDINGS

EXAMPLE = "firelab check marsh-green"


def command(
    folder: console.SeriesFolder = Path("."),
    as_json: console.AsJson = False,
) -> None:
    """Name every fault of a series folder at once, and say what comes next.

    It reads series.toml, the plan, the firing log, kiln traces, and whether fit
    and windows are stale. A look that is more often a slip than true is asked back
    until it is confirmed. Nothing is changed. Of a studio folder it reads studio.toml,
    jars.csv and every series.
    """
    from firelab.memory.studio import STUDIO_FILE
    from firelab.records.folder_check import check_folder
    from firelab.series.folder import SERIES_FILE

    with console.exit_on_fault(as_json=as_json):
        is_studio = (folder / STUDIO_FILE).is_file()
        if is_studio and not (folder / SERIES_FILE).exists():
            _check_studio(folder, as_json)
            return
        found = check_folder(folder)
        if as_json:
            console.result_json(
                {
                    "schema": "firelab/findings/1",
                    "findings": [one.to_dict() for one in found.findings],
                    "doubts": [one.to_dict() for one in found.doubts],
                    "standing": list(found.standing),
                    "next": found.next_step,
                }
            )
        else:
            for line in found.standing:
                console.remark(line)
            console.findings((*found.findings, *found.doubts))
            if not found.findings:
                doubts = count_words(len(found.doubts), "look")
                asked = f"; {doubts} to be confirmed" if found.doubts else ""
                console.result(f"no faults{asked}; next: {found.next_step}")
        if found.findings or found.doubts:
            console.leave(EXIT_FINDINGS)


def _check_studio(folder: Path, as_json: bool) -> None:
    from firelab.memory.studio_check import check_studio

    found = check_studio(folder)
    if as_json:
        console.result_json(
            {
                "schema": "firelab/findings/1",
                "findings": [one.to_dict() for one in found.findings],
                "standing": list(found.standing),
            }
        )
    else:
        for line in found.standing:
            console.remark(line)
        console.findings(found.findings)
        if not found.findings:
            console.result("no faults")
    if found.findings:
        console.leave(EXIT_FINDINGS)
