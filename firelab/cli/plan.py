"""`firelab plan`: tiles, loads, order, powder and kiln time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from firelab.cli import console
from firelab.errors import FirelabError, UsageError, quoted

if TYPE_CHECKING:
    from firelab.plan.plan import Plan
    from firelab.series.firing_series import FiringSeries

EXAMPLES = {"plan": "firelab plan marsh-green"}


def plan_command(
    folder: console.SeriesFolder = Path("."),
    kind: Annotated[
        str, typer.Option(help="Kind of plan, in place of plan.kind of the series.")
    ] = "",
    tiles: Annotated[
        int | None, typer.Option(min=1, help="How many tiles; else plan.tiles.")
    ] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Advanced: seed; else the seed of the series.")
    ] = None,
    add: Annotated[
        int | None,
        typer.Option(min=1, help="Keep the plan, fired or not; add the best N tiles."),
    ] = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="Lay all kinds side by side; write nothing.")
    ] = False,
    sizes: Annotated[str, typer.Option(help='Sizes to compare, such as "12,24,36".')] = "",
    figure: Annotated[
        bool, typer.Option("--figure", help="Draw figures/plan.png and .svg, too.")
    ] = False,
    kinds: Annotated[bool, typer.Option("--kinds", help="List the kinds, leave.")] = False,
    details: Annotated[
        bool,
        typer.Option("--details", help="The figures of the design too, for who checks."),
    ] = False,
    as_json: console.AsJson = False,
) -> None:
    """Assign tiles to settings, loads and sessions; count powder and kiln hours.

    Writes plan.csv and plan.json. The same seed gives the same plan. A plan
    that has been fired is never replaced; --add lengthens it. Where the wish
    does not fit the budget, the best plan that fits is made and says so.
    """
    with console.exit_on_fault(as_json=as_json):
        if kinds:
            _list_kinds(as_json)
            return
        from firelab.series.series_file import read_series

        series = _with_wish(read_series(folder), kind, tiles)
        with _name_conflicting_lines(folder):
            if compare:
                _compare(series, kind, sizes, seed, as_json)
                return
            plan = _added(series, folder, add) if add else _made(series, folder, seed)
        _write(series, plan, folder, as_json=as_json, details=details)
        if tiles and not add:
            remark_size(plan, tiles)
        if figure:
            _draw(series, plan, folder)


def _made(series: FiringSeries, folder: Path, seed: int | None) -> Plan:
    from firelab.plan.make_plan import make_plan
    from firelab.series.series_file import read_series, series_hash

    _refuse_if_fired(folder)
    return make_plan(
        series,
        series_hash=series_hash(folder),
        declared=read_series(folder),
        seed=seed,
    )


def _added(series: FiringSeries, folder: Path, n: int) -> Plan:
    from firelab.plan.compare import add_best_tiles
    from firelab.plan.plan_files import read_plan

    return add_best_tiles(series, read_plan(folder, series), n)


def _write(
    series: FiringSeries, plan: Plan, folder: Path, *, as_json: bool, details: bool
) -> None:
    from firelab.plan.plan_files import write_plan
    from firelab.series.kiln_settings import between_steps

    write_plan(plan, folder, invented=series.invented)
    if as_json:
        console.result_json(plan.to_dict(invented=series.invented))
        return
    console.result(f"{series.name}: {plan.summary(details=details)}")
    if series.priors.learned is not None:
        from firelab.series.history import worth_words

        console.result(worth_words(series.priors.learned))
    if between := between_steps(series):
        console.remark(between)
    written = f"wrote {folder / 'plan.csv'} and plan.json"
    then = f"next {quoted(folder)} --add" if not len(plan.tiles) else ""
    console.remark(f"{written}; next: firelab {then or f'sheets {quoted(folder)}'}")


def remark_size(plan: Plan, asked: int) -> None:
    """Remark where a kind of fixed size has another number of tiles than was asked."""
    from firelab.plan.kinds.registry import kind_named

    kind = kind_named(plan.kind)
    n = int((plan.tiles["role"] != "control").sum())
    if kind.fixes_tiles and not kind.sized and n != asked:
        console.remark(
            f"{asked} tiles were asked for: a {kind.name} plan of these levels has {n}; "
            f"of any size are d-optimal, i-optimal and latin-hypercube"
        )


def _draw(series: FiringSeries, plan: Plan, folder: Path) -> None:
    from firelab.charts.plan_chart import draw_plan_chart
    from firelab.charts.style import save_figure

    png, _ = save_figure(draw_plan_chart(series, plan), folder / "figures" / "plan")
    console.remark(f"drew {png} and plan.svg")


@contextmanager
def _name_conflicting_lines(folder: Path) -> Iterator[None]:
    """Name the lines of series.toml that conflict where no plan is possible."""
    from firelab.plan.infeasible import InfeasiblePlan, with_lines
    from firelab.series.folder import SERIES_FILE

    try:
        yield
    except InfeasiblePlan as fault:
        path = folder / SERIES_FILE if folder.is_dir() else folder
        raise with_lines(fault, path.read_text(encoding="utf-8-sig")) from None


def _compare(
    series: FiringSeries, kind: str, sizes: str, seed: int | None, as_json: bool
) -> None:
    from firelab.plan.compare import compare_plans, comparison_text
    from firelab.plan.kinds.registry import KINDS, kind_named
    from firelab.series.folder import plain_rows

    try:
        asked = [int(size) for size in sizes.split(",") if size.strip()]
    except ValueError:
        raise UsageError(
            f"{sizes!r} is not a list of sizes", "--sizes", 'write such as "12,24,36"'
        ) from None
    frame = compare_plans(
        series,
        kinds=[kind_named(kind).name] if kind else list(KINDS),
        sizes=asked or [series.plan.tiles],
        seed=seed,
    )
    if as_json:
        plans = plain_rows(frame)
        console.result_json({"schema": "firelab/plan-comparison/1", "plans": plans})
        return
    console.result(comparison_text(frame))


def _list_kinds(as_json: bool) -> None:
    from firelab.plan.kinds.registry import KINDS

    if as_json:
        listed = {name: one.description for name, one in KINDS.items()}
        console.result_json({"schema": "firelab/plan-kinds/1", "kinds": listed})
        return
    width = max(len(name) for name in KINDS)
    for one in KINDS.values():
        console.result(f"{one.name:{width}}  {one.description}")


def _with_wish(series: FiringSeries, kind: str, tiles: int | None) -> FiringSeries:
    import dataclasses

    from firelab.plan.kinds.registry import KINDS

    wished = kind or series.plan.kind
    # The number asked for is that of all tiles, not of each time the plan is repeated.
    sized = tiles and wished in KINDS and KINDS[wished].sized
    wish = dataclasses.replace(
        series.plan,
        kind=wished,
        tiles=tiles or series.plan.tiles,
        repeats=1 if sized else series.plan.repeats,
    )
    return dataclasses.replace(series, plan=wish)


def _refuse_if_fired(folder: Path) -> None:
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
            "start a new folder, or lengthen the plan with: "
            f"firelab plan {quoted(path.parent)} --add 4",
        )
