"""`firelab record`: looks into the firing log."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console
from firelab.errors import UsageError, findings_text, quoted

if TYPE_CHECKING:
    from firelab.plan.plan import Plan
    from firelab.records.recording import Recorded
    from firelab.records.tables import TextTable
    from firelab.series.firing_series import FiringSeries

EXAMPLES = {"record": "firelab record looks.csv marsh-green"}


def record_command(
    file: Annotated[
        str,
        typer.Argument(
            help="CSV, xlsx or pasted table of looks; - reads it from stdin. Leave out "
            "to give one tile or load by options."
        ),
    ] = "",
    folder: Annotated[str, typer.Argument(help="Series folder.")] = ".",
    tile: Annotated[str, typer.Option(help="Tile of one look, such as AEX.")] = "",
    stage: Annotated[str, typer.Option(help="Its grade.")] = "",
    grades: Annotated[
        str, typer.Option(help="Several tiles, such as 'AEX full; AFL orange peel 3'.")
    ] = "",
    transparency: Annotated[str, typer.Option(help="Its score.")] = "",
    look: Annotated[str, typer.Option(help="Which firing of the tile.")] = "",
    load: Annotated[str, typer.Option(help="Load it was fired with.")] = "",
    temperature: Annotated[
        str, typer.Option(help="As read, such as '1400 degF'; blank: as planned.")
    ] = "",
    dwell: Annotated[
        str, typer.Option(help="As timed, such as 2:30; blank: as planned.")
    ] = "",
    place: Annotated[str, typer.Option(help="Place of the rack; blank: as planned.")] = "",
    observer: Annotated[str, typer.Option(help="Who graded it.")] = "",
    fired_at: Annotated[str, typer.Option(help="Date, or date and time.")] = "",
    defects: Annotated[str, typer.Option(help="Such as crack, pinhole, crawl.")] = "",
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
    photo: Annotated[
        Path | None,
        typer.Option(
            help="Photograph of the look at --tile; without --tile, of what --stage "
            "looks like."
        ),
    ] = None,
    correct: Annotated[
        bool,
        typer.Option("--correct", help="Supersede looks that stand, by further rows."),
    ] = False,
    confirm: Annotated[
        bool, typer.Option("--confirm", help="The look at --tile is true, odd as it is.")
    ] = False,
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Take back the look at --tile.")
    ] = False,
    lost: Annotated[
        str,
        typer.Option(help="How --tile was lost, or --load ruined: dropped, cracked ..."),
    ] = "",
    moved: Annotated[
        bool, typer.Option("--moved", help="Truly fired in another load than planned.")
    ] = False,
    kiln_read: Annotated[
        str, typer.Option(help="How the kiln read wrong, such as '12 degF high'.")
    ] = "",
    sessions: Annotated[str, typer.Option(help="In which sessions: 2 or 2-3.")] = "",
    since: Annotated[str, typer.Option(help="From which date on.")] = "",
    until: Annotated[str, typer.Option(help="Up to which date.")] = "",
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook.")] = "",
    fixed: Annotated[
        Path | None,
        typer.Option(help="CSV to write as understood, the rest to be filled in."),
    ] = None,
    by: Annotated[str, typer.Option(help="Who records; else the observer.")] = "",
    at: Annotated[
        str, typer.Option("--recorded-at", help="Advanced: when, ISO 8601; else now.")
    ] = "",
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show what would be added; add nothing.")
    ] = False,
    as_json: console.AsJson = False,
) -> None:
    """Add looks at tiles to the firing log, firings.csv.

    A column may be called by the log's own name or a plain one (code, grade,
    clarity, temperature degF, dwell min ...). Every fault of a table is named at
    once, and a faulty table adds nothing. What is recorded is never edited: a
    correction is a further row. A look that the log holds just so is not added
    twice. What is more often a slip than true is recorded and asked back, until
    --confirm or --correct.
    """
    from firelab.plan.plan_files import read_plan
    from firelab.records.look_cells import parse_grade, parse_moment
    from firelab.records.photographs import keep_reference, read_photo
    from firelab.records.recording import fixed_text, now_text, record_table
    from firelab.series.series_file import read_series

    changes = {"withdrawal": withdraw, "confirmation": confirm, "lost": bool(lost)}
    cells = {
        "tile": tile,
        "look": look,
        "load": load,
        "temperature_degC": temperature,
        "dwell_s": dwell,
        "stage": stage,
        "transparency": transparency,
        "place": place,
        "observer": observer,
        "fired_at": fired_at,
        "defects": defects,
        "note": "; ".join(text for text in (lost, note) if text),
        "change": " ".join(word for word in changes if changes[word]) + " moved" * moved,
    }
    with console.exit_on_fault(as_json=as_json):
        told = any(text.strip() for text in (*cells.values(), grades, kiln_read))
        path, base = _places(file, folder, told=told)
        series = read_series(base)
        plan = read_plan(base, series)
        picture = read_photo(photo) if photo is not None else None
        if picture is not None and _is_of_a_stage_alone(cells):
            grade = parse_grade(stage, series)
            console.result(f"{base / keep_reference(base, grade, picture)}: {grade}")
            return
        offset = {
            "read_wrong": kiln_read,
            "sessions": sessions,
            "since": parse_moment(since) if since else "",
            "until": parse_moment(until) if until else "",
        }
        brief = _brief_table(base, series, plan, cells, grades, offset)
        table = _table(path, base, brief, sheet)
        if fixed is not None:
            _write_fixed(fixed, path, fixed_text(table, series, plan))
        if table.other_sheets:
            others = ", ".join(table.other_sheets)
            console.remark(f'{path}: sheet "{table.sheet}" is read; left: {others}')
        recorded = record_table(
            base,
            table,
            series,
            plan,
            recorded_at=parse_moment(at) if at else now_text(),
            recorded_by=by,
            correct=correct or bool(kiln_read),
            dry_run=dry_run,
        )
        if picture is not None and not dry_run:
            kept = _keep_photo(base, recorded, tile, picture)
            console.remark(f"{kept}: kept without place, time and owner")
        if as_json:
            console.result_json({**recorded.to_dict(), "dry_run": dry_run})
        else:
            console.result(
                _result_words(recorded, base, series.kiln.reads, dry_run=dry_run)
            )
            if not dry_run:
                console.remark(_what_follows(base, plan))


def _what_follows(base: Path, plan: Plan) -> str:
    """Say how many planned tiles wait for a look, and the command after the last."""
    from firelab.records.firing_log import read_planned_log

    then = f"firelab {'next' if plan.is_sequential else 'fit'} {quoted(base)}"
    planned, log = set(plan.tiles["tile"]), read_planned_log(base)[2]
    waiting = len(planned - {one.tile for one in log.standing})
    if not waiting or plan.is_sequential:
        return f"next: {then}"
    return f"{waiting} of {len(planned)} planned tiles wait for a look; then: {then}"


def _is_of_a_stage_alone(cells: dict[str, str]) -> bool:
    return [name for name, text in cells.items() if text.strip()] == ["stage"]


def _keep_photo(base: Path, recorded: Recorded, tile: str, picture: bytes) -> Path:
    """Keep the photograph of the one look that was recorded, or stood there already."""
    from firelab.records.firing_log import read_planned_log
    from firelab.records.photographs import keep_photo

    given = [look.content() for look in (*recorded.added, *recorded.already)]
    standing = read_planned_log(base)[2].standing
    shown = [one.entry for one in standing if one.content() in given]
    if not tile or len(shown) != 1:
        raise UsageError(
            f"--photo shows one look that stands, and {len(shown)} were named",
            hint="name the tile, and its grade: firelab record --tile AEX --stage full "
            "--photo FILE",
        )
    return base / keep_photo(base, shown[0], picture)


def _places(file: str, folder: str, *, told: bool) -> tuple[str, Path]:
    """Return file and series folder; one word that can be no table is the folder."""
    one_word = file and file != "-" and folder == "."
    no_table = not Path(file).suffix and not Path(file).is_file()
    if one_word and (Path(file).is_dir() or (told and no_table)):
        return "", Path(file)
    return file, Path(folder)


def _brief_table(
    base: Path,
    series: FiringSeries,
    plan: Plan,
    cells: dict[str, str],
    grades: str,
    offset: dict[str, str],
) -> TextTable | None:
    """Return what the options tell of one tile or load; None where they tell nothing."""
    from firelab.records.brief_tables import (
        brief_table,
        graded_rows,
        kiln_offset_rows,
        load_rows,
    )
    from firelab.records.firing_log import read_log
    from firelab.records.planned_firings import planned_firings

    given = {name: text for name, text in cells.items() if text.strip()}
    planned = planned_firings(plan)
    if offset["read_wrong"]:
        log = read_log(base, series, planned)
        return brief_table(kiln_offset_rows(planned=planned, log=log, **offset))
    if grades:
        return brief_table(graded_rows(grades, given))
    if "load" in given and "tile" not in given:
        log = read_log(base, series, planned)
        return brief_table(load_rows(given["load"], planned, log, given))
    return brief_table([given]) if given else None


def _write_fixed(target: Path, source: str, text: str) -> None:
    from firelab.series.folder import write_atomically

    if source and source != "-" and target.resolve() == Path(source).resolve():
        raise UsageError(
            "is the table itself", str(target), "name another file for what was understood"
        )
    if not text.strip():
        console.remark(f"{target} is not written: no column names the tiles")
        return
    write_atomically(target, text)
    console.remark(f"wrote {target}: fill in what is blank, then record it")


def _table(file: str, base: Path, brief: TextTable | None, sheet: str) -> TextTable:
    from firelab.records.recording import read_table
    from firelab.records.tables import LARGEST_BYTES
    from firelab.series.folder import FIRINGS_FILE

    if bool(file) == (brief is not None):
        raise UsageError(
            "name either a file of looks, or a tile or load by options",
            hint=f"such as: firelab record looks.csv {quoted(base)}, or: "
            f"firelab record {quoted(base)} --tile AEX --stage full",
        )
    if brief is not None:
        return brief
    if file == "-":
        return read_table(sys.stdin.buffer.read(LARGEST_BYTES + 1), "pasted table")
    path = Path(file)
    if path.resolve() == (base / FIRINGS_FILE).resolve():
        raise UsageError(
            "is the log itself",
            str(path),
            f"to look through it: firelab check {quoted(base)}",
        )
    with path.open("rb") as stream:
        return read_table(stream.read(LARGEST_BYTES + 1), path.name, sheet=sheet)


def _result_words(recorded: Recorded, base: Path, reads: str, *, dry_run: bool) -> str:
    from firelab.craft.trade_words import count_words
    from firelab.records.look import look_words
    from firelab.series.folder import FIRINGS_FILE

    lines = [look_words(look, reads) for look in recorded.added]
    looks = count_words(len(recorded.added), "look")
    log = base / FIRINGS_FILE
    lines.append(
        f"{looks} would be added to {log}" if dry_run else f"{looks} added to {log}"
    )
    if recorded.already:
        again = count_words(len(recorded.already), "look")
        lines.append(f"already there, and left as they were: {again}")
    if recorded.left_out:
        numbers = ", ".join(str(line) for line in recorded.left_out[:10])
        lines.append(
            f"left out: {count_words(len(recorded.left_out), 'row')} with nothing on the "
            f"tile (line {numbers}{' ...' if len(recorded.left_out) > 10 else ''})"
        )
    if recorded.doubts:
        lines.append(f"to be confirmed or corrected: {len(recorded.doubts)}")
        lines.append(findings_text(recorded.doubts))
    return "\n".join(lines)
