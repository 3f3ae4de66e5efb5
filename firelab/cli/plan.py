"""`firelab plan`: tiles, loads, order, powder and kiln time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console

if TYPE_CHECKING:
    from firelab.series.firing_series import FiringSeries

EXAMPLE = "firelab plan marsh-green"


def command(
    folder: Annotated[Path, typer.Argument(help="Series folder.")] = Path("."),
    kind: Annotated[
        str, typer.Option(help="Kind of plan, in place of plan.kind of the series.")
    ] = "",
    tiles: Annotated[
        int, typer.Option(min=0, help="How many tiles, in place of plan.tiles.")
    ] = 0,
    seed: Annotated[
        int, typer.Option(min=-1, help="Seed, in place of the seed of the series.")
    ] = -1,
    kinds: Annotated[bool, typer.Option("--kinds", help="List the kinds, leave.")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print plan.json instead of the summary.")
    ] = False,
) -> None:
    """Assign tiles to settings, loads and sessions; count powder and kiln hours.

    Writes plan.csv and plan.json. The same seed gives the same plan. A plan
    that has been fired is never replaced.
    """
    with console.faults_told(as_json=as_json):
        if kinds:
            _list_kinds()
            return
        from firelab.plan.make_plan import plan_series
        from firelab.plan.plan_files import plan_dict, write_plan
        from firelab.plan.plan_words import plan_summary
        from firelab.series.series_file import read_series, series_hash

        _refuse_if_fired(folder)
        series = _with_wish(read_series(folder), kind, tiles)
        plan = plan_series(
            series, series_hash=series_hash(folder), seed=seed if seed >= 0 else None
        )
        write_plan(plan, folder, invented=series.invented)
        if as_json:
            console.result_json(plan_dict(plan, invented=series.invented))
            return
        console.result(plan_summary(series, plan))
        console.tell(f"wrote {folder / 'plan.csv'} and plan.json; next: firelab sheets")


def _list_kinds() -> None:
    from firelab.plan.registry import KINDS

    width = max(len(name) for name in KINDS)
    for one in KINDS.values():
        console.result(f"{one.name:{width}}  {one.description}")


def _with_wish(series: FiringSeries, kind: str, tiles: int) -> FiringSeries:
    import dataclasses

    wish = dataclasses.replace(
        series.plan,
        kind=kind or series.plan.kind,
        tiles=tiles or series.plan.tiles,
    )
    return dataclasses.replace(series, plan=wish)


def _refuse_if_fired(folder: Path) -> None:
    from firelab.errors import FirelabError
    from firelab.series.folder import FIRINGS_FILE

    path = folder / FIRINGS_FILE
    if not path.is_file():
        return
    text = path.read_text(encoding="utf-8-sig", errors="replace")
    n_looks = max(0, sum(1 for line in text.splitlines() if line.strip()) - 1)
    if n_looks:
        raise FirelabError(
            f"holds {n_looks} look{'s' if n_looks != 1 else ''} at tiles of this plan, "
            "which a new plan would orphan",
            str(path),
            "start a new folder for a new plan: firelab new FOLDER --from DESIGN",
        )
