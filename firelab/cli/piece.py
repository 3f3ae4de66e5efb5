"""`firelab piece`: several colours on one piece."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from firelab.cli import console
from firelab.errors import EXIT_UNSUPPORTED, FirelabError, UsageError, quoted

EXAMPLES = {"piece": "firelab piece new harbour-bowl marsh-green"}
_PAPER = "a4"


class Step(StrEnum):
    """What to do with a piece."""

    new = "new"
    check = "check"
    plan = "plan"
    record = "record"


def piece_command(
    step: Annotated[Step, typer.Argument(help="new, check, plan or record.")],
    folder: Annotated[Path, typer.Argument(help="Folder of the piece.")] = Path("."),
    series: Annotated[
        list[Path] | None,
        typer.Argument(help="With new: series folder or bundle of each colour."),
    ] = None,
    grades: Annotated[
        str | None,
        typer.Option("--grades", help='With record: such as "ground full; sky over".'),
    ] = None,
    firing: Annotated[
        int | None,
        typer.Option("--firing", min=1, help="With record: which firing; else the last."),
    ] = None,
    piece: Annotated[
        int | None,
        typer.Option("--piece", min=1, help="With record: which piece; else as it comes."),
    ] = None,
    read: Annotated[
        str | None,
        typer.Option("--read", help='With record: what the kiln read, "1450 degF".'),
    ] = None,
    held: Annotated[
        str | None,
        typer.Option("--held", help='With record: how long, "2 min 10 s".'),
    ] = None,
    note: Annotated[str, typer.Option("--note", help="With record: a few words.")] = "",
    page: Annotated[str, typer.Option("--page", help="With plan: a4 or letter.")] = _PAPER,
    as_json: console.AsJson = False,
) -> None:
    """Several colours on one piece: in which order, at which settings, with what odds.

    new begins a folder with a piece.toml from the series that know the colours; edit it:
    blank, rules of order, most firings. check names every fault at once, and each colour
    that was tested on another metal, in another kiln or over another base. plan searches
    orders and settings, says how many such pieces to expect as wanted, and writes
    piece.json, piece.pdf (one page beside the kiln) and figures/piece.png. Exit 3 where
    no order is as likely as asked. record adds what came out to made.csv, and the
    next plans count it, here and in the folders beside.
    """
    with console.exit_on_fault(as_json=as_json):
        if series and step is not Step.new:
            raise UsageError(
                f"piece {step.value} takes one folder, not {len(series) + 1} names",
                hint="the series stand in its piece.toml",
            )
        of_record = {
            "--grades": grades,
            "--firing": firing,
            "--piece": piece,
            "--read": read,
            "--held": held,
            "--note": note,
        }
        given = [name for name, value in of_record.items() if value]
        _refuse(step, Step.record, given)
        _refuse(step, Step.plan, ["--page"] * (page != _PAPER))
        if step is Step.new:
            _new(folder, series or [], as_json)
        elif step is Step.check:
            _check(folder, as_json)
        elif step is Step.record:
            made = _record(folder, grades or "", (piece, firing), (read, held), note)
            if as_json:
                console.result_json({"schema": "firelab/made/1", "recorded": made})
            else:
                console.result(made)
        else:
            _plan(folder, page, as_json)


def _refuse(step: Step, wanted: Step, given: list[str]) -> None:
    """Refuse options that say nothing to this step."""
    if given and step is not wanted:
        raise UsageError(
            f"piece {step.value} does not take it",
            ", ".join(given),
            f"it goes with: firelab piece {wanted.value}",
        )


def _new(folder: Path, series: list[Path], as_json: bool) -> None:
    from firelab.piece.piece_file import start_piece

    path = start_piece(folder, series)
    if as_json:
        console.result_json({"schema": "firelab/started/1", "file": str(path)})
    else:
        console.result(
            f"{path}: edit blank, rules and settings, then firelab piece check "
            f"{quoted(folder)}"
        )


def _check(folder: Path, as_json: bool) -> None:
    from firelab.piece.piece_file import read_piece

    found = read_piece(folder)
    if as_json:
        cautions = list(found.cautions)
        console.result_json(
            {"schema": "firelab/findings/1", "findings": [], "cautions": cautions}
        )
        return
    for line in found.cautions:
        console.remark(f"caution: {line}")
    console.result(f"no faults; next: firelab piece plan {quoted(folder)}")


def _plan(folder: Path, page: str, as_json: bool) -> None:
    from firelab.charts.piece_chart import draw_piece
    from firelab.charts.style import save_figure
    from firelab.piece.answer import write_piece_plan
    from firelab.piece.kiln_page import write_piece_sheet
    from firelab.piece.plan_piece import plan_piece

    found = plan_piece(folder)
    home = folder if folder.is_dir() else folder.parent
    write_piece_plan(home, found)
    sheet = write_piece_sheet(home, found, page)
    save_figure(draw_piece(found), home / "figures" / "piece")
    if as_json:
        console.result_json(found.to_dict())
    else:
        console.result(found.summary())
    console.remark(f"wrote {sheet}; what comes out: firelab piece record {quoted(home)}")
    if found.best.probability < found.asked:
        console.leave(EXIT_UNSUPPORTED)


def _record(
    folder: Path,
    grades: str,
    which: tuple[int | None, int | None],
    settings: tuple[str | None, str | None],
    note: str,
) -> str:
    from firelab.craft.units import parse_dwell, parse_temperature
    from firelab.piece.made import record_made
    from firelab.piece.piece_file import read_piece
    from firelab.records.recording import now_text

    read, held = settings
    try:
        degC = parse_temperature(read) if read else None
        dwell = parse_dwell(held) if held else None
    except FirelabError as fault:
        raise UsageError(fault.what, "--read, --held", fault.hint) from None
    return record_made(
        read_piece(folder),
        grades,
        recorded_at=now_text(),
        piece=which[0],
        firing=which[1],
        temperature_degC=degC,
        dwell_s=dwell,
        note=note,
    )
