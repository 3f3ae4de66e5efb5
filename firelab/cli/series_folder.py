"""`firelab new` and `firelab check`: a series folder is started, and its faults named."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.craft.trade_words import count_words
from firelab.errors import EXIT_FINDINGS, UsageError, quoted
from firelab.series.folder import FIRST_DESIGN, SERIES_FILE, write_atomically

EXAMPLES = {
    "new": "firelab new marsh-green --from opaque-window",
    "check": "firelab check marsh-green",
}
ROUND_ROBIN_DESIGN = "quick-look"
"""What studios fire together where nothing else is asked: the same tiles for all."""


def new_command(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder to make; it must not hold a series.")
    ] = None,
    design: Annotated[
        str, typer.Option("--from", help=f"Ready design; else {FIRST_DESIGN}.")
    ] = "",
    round_robin: Annotated[
        int | None,
        typer.Option(
            "--round-robin",
            help="One jar sent round so many studios: a folder, plan and sheets for each. "
            "--from then may name a series folder.",
        ),
    ] = None,
    control: Annotated[
        str, typer.Option("--control", help="Colour of the control tiles sent round.")
    ] = "",
    studio: Annotated[
        bool,
        typer.Option("--studio", help="Start a studio folder: series go into it."),
    ] = False,
    jar: Annotated[
        str, typer.Option("--jar", help="Number of the jar in the studio's jars.csv.")
    ] = "",
    kiln: Annotated[
        str, typer.Option("--kiln", help="Name of a kiln of the studio; else its first.")
    ] = "",
    like: Annotated[
        Path | None,
        typer.Option("--like", help="Studio whose earlier jars this one is begun from."),
    ] = None,
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
    """Start a series folder from a ready design; one tile at a time unless --from says.

    --ask asks for colour, metal, kiln, temperatures and tiles; without it, write them
    into its series.toml. Every key, with what it means: firelab new --example.
    Inside a studio folder (--studio starts one) kiln and jar are written in; --like
    begins with what its earlier jars taught, after firelab learn.
    --round-robin sends one jar round: each studio's folder has a plan and its sheets.
    """
    from firelab.series.history import HISTORY_FILE
    from firelab.series.series_file import (
        design_path,
        read_series,
        start_series,
    )

    with console.exit_on_fault():
        if list_designs or example:
            _show_designs(list_designs)
            return
        if folder is None:
            raise UsageError("no folder was named", hint=f"such as: {EXAMPLES['new']}")
        if studio:
            _start_studio(folder)
            return
        if control and round_robin is None:
            raise UsageError("is of a jar sent round", "--control", "add --round-robin N")
        if round_robin is not None:
            _send_round(folder, design or ROUND_ROBIN_DESIGN, round_robin, control)
            return
        ready = design_path(design or FIRST_DESIGN).read_text(encoding="utf-8")
        text = _of_studio(folder, ready, jar, kiln)
        if ask and not (folder / SERIES_FILE).exists():
            text = _asked(text)
        text, history = _like(text, like) if like else (text, b"")
        target = start_series(folder, text=text)
        if history:
            write_atomically(folder / HISTORY_FILE, history)
        mark = read_series(target).mark
        console.remark(f"its tiles are marked {mark}, as those of no series beside it")
        then = "look it through" if ask else "edit it"
        console.result(f"{target}: {then}, then: firelab check {quoted(folder)}")


def _show_designs(list_designs: bool) -> None:
    """Name the ready designs, or print a series.toml with every key."""
    from firelab.series.example_file import example_text
    from firelab.series.series_file import design_names, design_path, read_series

    if not list_designs:
        console.result(example_text(), as_it_is=True)
        return
    for name in sorted(design_names(), key=lambda one: (one != FIRST_DESIGN, one)):
        console.result(f"{name:20} {read_series(design_path(name)).name}")


def _start_studio(folder: Path) -> None:
    from firelab.memory.studio import start_studio
    from firelab.memory.studio_tables import JARS_FILE

    target = start_studio(folder)
    console.result(f"{target}: edit it, and list your jars in {JARS_FILE}")
    inside = quoted(folder / "marsh-green")
    console.result(f"then: firelab check {quoted(folder)}, firelab new {inside} --jar 12")


def _of_studio(folder: Path, text: str, jar: str, kiln: str) -> str:
    """Return a design with the kiln and the jar of the studio that it goes into."""
    from firelab.memory.studio import find_studio, read_studio, with_studio
    from firelab.memory.studio_tables import known_jar, read_jars

    home = find_studio(folder)
    if home is None:
        if jar or kiln:
            raise UsageError(
                f"{folder} is in no studio",
                "--jar" if jar else "--kiln",
                "start one around it: firelab new FOLDER --studio",
            )
        return text
    studio = read_studio(home)
    chosen = studio.kiln(kiln)
    filled = with_studio(text, chosen, known_jar(read_jars(home), jar) if jar else None)
    told = [f"kiln {chosen.name!r}"] if chosen else []
    told += [f"jar {jar}"] if jar else []
    console.remark(f"as the studio {studio.name!r} has it: {', '.join(told) or 'nothing'}")
    return filled


def _like(text: str, studio: Path) -> tuple[str, bytes]:
    """Return a series that begins with what a studio learned, and that history."""
    from firelab.memory.history import history_of, like_earlier

    path = history_of(studio)
    begun, words = like_earlier(text, path)
    console.remark(f"from {path}: {words}")
    return begun, path.read_bytes()


def _send_round(folder: Path, design: str, n_studios: int, control: str) -> None:
    from firelab.series.series_file import design_path
    from firelab.studios.round_robin import plan_round_robin

    if folder.exists() and any(folder.iterdir()):
        raise UsageError(
            "is not empty", str(folder), "name a new folder for the round robin"
        )
    stated = Path(design) / SERIES_FILE
    source = stated if stated.is_file() else design_path(design)
    text = source.read_text(encoding="utf-8")
    sent = plan_round_robin(text, n_studios, control=control)
    for one in sent:
        place = folder / one.name
        place.mkdir(parents=True)
        for name, content in one.files.items():
            write_atomically(place / name, content)
        console.result(
            f"{place}: {one.plan.n_tiles} tiles in {one.plan.table['load'].nunique()} loads"
        )
    first = sent[0]
    grams = ", ".join(f"{name} {g:g} g" for name, g in first.plan.powder_g.items())
    console.remark(f"each needs {first.plan.n_tiles} blanks of one stock and {grams}")
    if (controls := first.series.plan.control) is not None:
        console.remark(f"control tiles are of {controls.colour!r}, of one jar for all")
    console.result("when they come back: firelab pool BUNDLES")


def _asked(text: str) -> str:
    from firelab.series.first_questions import answer_questions

    if not console.is_terminal():
        raise UsageError(
            "there is no terminal to ask on", "--ask", "leave --ask out, edit series.toml"
        )
    console.remark("Enter keeps what stands in brackets.")
    return answer_questions(text, console.ask, console.remark)


def check_command(
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
    from firelab.memory.studio_check import check_studio
    from firelab.records.folder_check import check_folder

    with console.exit_on_fault(as_json=as_json):
        is_studio = (folder / STUDIO_FILE).is_file()
        of_studio = is_studio and not (folder / SERIES_FILE).exists()
        found = check_studio(folder) if of_studio else check_folder(folder)
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
                then = f"; next: {found.next_step}" if found.next_step else ""
                console.result(f"no faults{asked}{then}")
        if found.findings or found.doubts:
            console.leave(EXIT_FINDINGS)
