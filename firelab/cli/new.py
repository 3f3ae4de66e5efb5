"""`firelab new`: a series folder from a ready design."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import quoted

EXAMPLE = "firelab new marsh-green --from opaque-window"


def command(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder to make; it must not hold a series.")
    ] = None,
    design: Annotated[str, typer.Option("--from", help="Ready design.")] = "quick-look",
    list_designs: Annotated[
        bool, typer.Option("--list", help="Name the ready designs, and leave.")
    ] = False,
    ask: Annotated[
        bool, typer.Option("--ask", help="Ask six questions on a terminal.")
    ] = False,
    example: Annotated[
        bool, typer.Option("--example", help="Print a series.toml with every key, leave.")
    ] = False,
) -> None:
    """Start a series folder from a ready design.

    --ask asks for colour, metal, kiln, temperatures and tiles; without it, write them
    into its series.toml. Every key, with what it means: firelab new --example.
    """
    from firelab.errors import UsageError
    from firelab.series.folder import SERIES_FILE
    from firelab.series.series_file import (
        design_names,
        design_path,
        read_series,
        start_series,
    )

    with console.exit_on_fault():
        if list_designs:
            for name in design_names():
                console.result(f"{name:20} {read_series(design_path(name)).name}")
            return
        if example:
            from firelab.series.example_file import example_text

            console.result(example_text(), as_it_is=True)
            return
        if folder is None:
            raise UsageError("no folder was named", hint=f"such as: {EXAMPLE}")
        if (folder / SERIES_FILE).exists() or not ask:
            target = start_series(folder, design)
        else:
            text = design_path(design).read_text(encoding="utf-8")
            target = start_series(folder, text=_asked(text))
        mark = read_series(target).mark
        console.remark(f"its tiles are marked {mark}, unlike those of the series beside it")
        then = "look it through" if ask else "edit it"
        console.result(f"{target}: {then}, then: firelab check {quoted(folder)}")


def _asked(text: str) -> str:
    from firelab.errors import UsageError
    from firelab.series.first_questions import answer_questions

    if not console.is_terminal():
        raise UsageError(
            "there is no terminal to ask on", "--ask", "leave --ask out, edit series.toml"
        )
    console.remark("Enter keeps what stands in brackets.")
    return answer_questions(text, console.ask, console.remark)
