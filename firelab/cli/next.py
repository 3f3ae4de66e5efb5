"""`firelab next`: the next tiles to fire, or why to stop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console
from firelab.errors import FirelabError, RecordsInsufficient, UsageError, quoted

if TYPE_CHECKING:
    import pandas as pd

    from firelab.plan.plan import Plan
    from firelab.series.firing_series import FiringSeries
    from firelab.windows.window import FiringWindows

EXAMPLES = {"next": "firelab next marsh-green --loads 2"}


def next_command(
    folder: Annotated[Path, typer.Argument(help="Series folder.")] = Path("."),
    loads: Annotated[
        int, typer.Option("--loads", min=1, max=12, help="How many loads to choose.")
    ] = 1,
    places: Annotated[
        int | None, typer.Option("--places", min=1, help="Tiles a load; else the kiln's.")
    ] = None,
    place: Annotated[
        int | None,
        typer.Option("--place", min=1, help="Place of the rack the edges are for."),
    ] = None,
    new: Annotated[
        int | None, typer.Option("--new", min=0, help="New tiles a load, at most.")
    ] = None,
    window: Annotated[
        bool,
        typer.Option("--window", help="One tile at a time: narrow the window instead."),
    ] = False,
    day: Annotated[
        bool, typer.Option("--day", help="With --add, begin a session: a further day.")
    ] = False,
    once: Annotated[
        bool, typer.Option("--once", help="Fire no tile on: each is fired once.")
    ] = False,
    beyond: Annotated[
        bool, typer.Option("--beyond", help="Choose on though a recipe is assured.")
    ] = False,
    add: Annotated[
        bool, typer.Option("--add", help="Write them into the plan as a further session.")
    ] = False,
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Plan the settings of lost tiles again; no choice."),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Result as JSON.")] = False,
) -> None:
    """Choose the next load: what shrinks the edges most per kiln hour; write next.csv.

    It takes the fit of fit.json, stays within the powder, blanks, loads and
    hours that are left and within the rules, and says when to stop. A place can
    hold a tile that was graded and is not over-fired: fired on, it costs no blank
    and no powder. The firing that is likeliest to come out right is said with its
    odds, recipe or not. With --place the edges and the recipe are those of one place of
    the rack, and tiles may lie at any. With --add the new tiles get codes, and the loads
    a session of their own; print it with firelab sheets --session.

    Where tiles are chosen one at a time (plan kind sequential) it needs neither a look
    nor a fit: it says where to fire the next tile for the recipe, what that adds, and when
    to stop. --places 2 puts two side by side; --add goes on with the session until it is
    full, or begins another with --day.
    """
    from firelab.windows.firing_windows import firing_windows
    from firelab.windows.fit_file import (
        ask_window,
        fit_folder,
        fresh_fit_options,
        write_next,
    )
    from firelab.windows.sequential.next_firing import next_firing
    from firelab.windows.sequential.next_tiles import next_tiles

    with console.exit_on_fault(as_json=as_json):
        if replace:
            _replace_lost(folder)
            return
        if not window and _is_sequential(folder):
            if place is not None:
                raise UsageError(
                    "one tile at a time is chosen for any place of the rack",
                    f"--place {place}",
                    f"with --window, or: firelab windows {quoted(folder)} --place {place}",
                )
            _one_at_a_time(folder, places or 1, add=add, day=day, as_json=as_json)
            return
        try:
            options = fresh_fit_options(folder)
        except FirelabError:
            _offer_replacements(folder)  # it takes no fit to plan a lost tile again
            raise
        found = fit_folder(folder, options, sensitivity=False)
        fit = ask_window(found.stage, place=place)
        windows = firing_windows(fit, found.clarity)
        chosen = next_tiles(
            fit,
            found.records.plan,
            windows=None if beyond else windows,
            n_loads=loads,
            places=places,
            most_new=new,
            fire_on=not once,
        )
        written = write_next(folder, chosen, invented=found.invented)
        if as_json:
            now = windows.firing_now_to_dict()
            console.result_json({**chosen.to_dict(), "firing_now": now})
        else:
            console.result(chosen.summary())
            if not beyond and not chosen.stop:
                console.result(_why_elsewhere(windows))
            console.result(windows.firing_now())
            if found.clarity is None and not chosen.stop:
                console.result(next_firing(found.records, fit=fit).one_more_tile())
        _offer_replacements(folder)
        if chosen.stop or not add:
            on = f"; to go on all the same: firelab next {quoted(folder)} --beyond"
            console.remark(f"wrote {written}{on * (chosen.stop_code == 'assured')}")
            return
        note, wanted = "chosen by firelab next", chosen.table
        _extend(folder, found.records.series, found.records.plan, wanted, note=note)


def _is_sequential(folder: Path) -> bool:
    from firelab.plan.plan_files import read_plan
    from firelab.series.series_file import read_series

    return read_plan(folder, read_series(folder)).is_sequential


def _one_at_a_time(
    folder: Path, places: int, *, add: bool, day: bool, as_json: bool
) -> None:
    """Say the next firing of a plan of one tile at a time; add it where asked."""
    from firelab.records.firing_log import read_so_far
    from firelab.windows.fit_file import write_next
    from firelab.windows.sequential.next_firing import next_firing

    records = read_so_far(folder)
    chosen = next_firing(records, places=places)
    written = write_next(folder, chosen, invented=records.series.invented)
    if as_json:
        console.result_json(chosen.to_dict())
    else:
        console.result(chosen.summary())
    _offer_replacements(folder)
    if not add or chosen.firing is None:
        can_add = not add and chosen.firing is not None
        more = f"; to plan it: firelab next {quoted(folder)} --add" if can_add else ""
        console.remark(f"wrote {written}{more}")
        return
    longer = _extend(
        folder, records.series, records.plan, chosen.table, same_session=not day
    )
    first = longer.tiles["tile"].iloc[len(records.plan.tiles)]
    console.remark(
        f'fired and looked at: firelab record {quoted(folder)} --grades "{first} full"'
    )


def _why_elsewhere(windows: FiringWindows) -> str:
    """Say why this load was chosen, and where firelab windows pointed."""
    why = "Chosen as the load that narrows the edges most for its kiln time."
    ways = windows.windows[0].settle
    if not ways:
        return why
    return f"{why} For a recipe alone firelab windows said: {ways[0]}."


def _offer_replacements(folder: Path) -> None:
    from firelab.records.firing_log import lost_settings, read_planned_log

    _, plan, log = read_planned_log(folder)
    lost = lost_settings(plan, log.standing)
    if len(lost):
        codes = ", ".join(lost["tile"])
        console.remark(
            f"lost without a grade: {codes}; to plan their settings again: "
            f"firelab next {quoted(folder)} --replace"
        )


def _replace_lost(folder: Path) -> None:
    from firelab.plan.plan import SETTING_COLUMNS
    from firelab.records.firing_log import (
        lost_settings,
        read_planned_log,
        replacement_note,
    )

    series, plan, log = read_planned_log(folder)
    lost = lost_settings(plan, log.standing)
    if not len(lost):
        raise RecordsInsufficient(
            "no tile is lost whose setting was not seen or planned again",
            str(folder),
            'a lost tile is recorded with: firelab record --tile TILE --lost "dropped"',
        )
    wanted, note = lost[list(SETTING_COLUMNS)], replacement_note(lost["tile"])
    _extend(folder, series, plan, wanted, note=note)


def _extend(
    folder: Path,
    series: FiringSeries,
    plan: Plan,
    wanted: pd.DataFrame,
    *,
    note: str = "",
    same_session: bool = False,
) -> Plan:
    """Write settings into the plan, tell what was added, and return the longer plan."""
    from firelab.plan.extend import extend_plan
    from firelab.plan.plan_files import write_plan

    longer = extend_plan(series, plan, wanted, note=note, same_session=same_session)
    write_plan(longer, folder, invented=series.invented)
    _tell_added(folder, plan, longer)
    return longer


def _tell_added(folder: Path, plan: Plan, longer: Plan) -> None:
    added = longer.tiles.iloc[len(plan.tiles) :]
    known = added["tile"].isin(plan.tiles["tile"])
    new, on = (sorted(set(added.loc[rows, "tile"])) for rows in (~known, known))
    parts = [f"new tile{'s' * (len(new) > 1)} {', '.join(new)}" if new else ""]
    parts.append(f"fired on {', '.join(on)}" if on else "")
    sessions = sorted(set(added["session"]))
    planned = "; ".join(part for part in parts if part)
    console.remark(f"planned in session {', '.join(map(str, sessions))}: {planned}")
    for session in sessions:
        console.remark(
            f"print it with: firelab sheets {quoted(folder)} --session {session}"
        )
