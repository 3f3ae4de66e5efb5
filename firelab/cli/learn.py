"""`firelab learn`: what earlier series teach of the next jar."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab learn bundles"


def command(
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
