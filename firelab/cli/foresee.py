"""`firelab foresee`: what plans would teach, before a tile is fired."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from firelab.cli import console
from firelab.cli.plan import remark_size
from firelab.errors import FirelabError, UsageError, quoted

if TYPE_CHECKING:
    from firelab.series.firing_series import FiringSeries
    from firelab.windows.sequential.foresight import PlannedCandidate

EXAMPLES = {"foresee": "firelab foresee marsh-green --tries 10"}

FIGURE = "figures/foresight"


def foresee_command(
    folder: console.SeriesFolder = Path("."),
    kinds: Annotated[
        str, typer.Option("--kinds", help="Plan kinds, by commas; else the series' own.")
    ] = "",
    tiles: Annotated[
        str,
        typer.Option(
            "--tiles", help="Sizes, by commas; else the series' own, fewer and more."
        ),
    ] = "",
    tries: Annotated[
        int, typer.Option("--tries", min=1, help="Invented truths per plan.")
    ] = 40,
    jobs: Annotated[
        int | None,
        typer.Option("--jobs", min=1, help="Advanced: processes; else one a core."),
    ] = None,
    dask: Annotated[
        str,
        typer.Option(
            "--dask",
            help="Advanced: address of a Dask scheduler, or 'local' for one of its own.",
        ),
    ] = "",
    as_json: console.AsJson = False,
) -> None:
    """Tell the width of the edges and the chance of a recipe for several plans.

    Plans are tried on invented truths that the series' [expectation] allows:
    low_edge, high_edge and at (a dwell), with uncertainty. Nothing is fired; the
    figure foresight.png shows tiles against width.
    """
    with console.exit_on_fault(as_json=as_json):
        from firelab.charts.style import save_figure
        from firelab.charts.tile_count import draw_tile_count
        from firelab.series.series_file import read_series
        from firelab.windows.sequential.foresight import foresee

        series = read_series(folder)
        candidates = plan_candidates(folder, series, kinds=kinds, tiles=tiles)
        with cluster_backend(dask) as backend:
            found = foresee(
                series,
                candidates,
                n_tries=tries,
                n_jobs=jobs or -1,
                backend=backend,
                progress=lambda done, wanted: console.progress(f"try {done} of {wanted}"),
            )
        console.progress_done()
        png, _ = save_figure(
            draw_tile_count(found.table, reads=series.kiln.reads, invented=series.invented),
            folder / FIGURE,
        )
        if as_json:
            console.result_json(found.to_dict())
        else:
            console.result(found.summary())
        console.remark(f"wrote {png}")


def plan_candidates(
    folder: Path, series: FiringSeries, *, kinds: str, tiles: str
) -> list[PlannedCandidate]:
    """Return every plan asked for; one that cannot be is named and left out."""
    from dataclasses import replace

    from firelab.plan.make_plan import make_plan
    from firelab.plan.plan import SEQUENTIAL
    from firelab.series.series_file import series_hash
    from firelab.windows.sequential.foresight import PlannedCandidate

    names = [name.strip() for name in kinds.split(",") if name.strip()]
    if SEQUENTIAL in (names or [series.plan.kind]):
        raise UsageError(
            "a sequential plan fixes no tiles beforehand, so there is none to foresee",
            hint="name a kind to foresee: "
            f"firelab foresee {quoted(folder)} --kinds latin-hypercube --tiles 8,12",
        )
    sizes = [_size(part) for part in tiles.split(",") if part.strip()]
    digest = series_hash(folder)
    found: list[PlannedCandidate] = []
    for kind in names or [series.plan.kind]:
        asked = [(kind, size) for size in sizes] or _own_sizes(series, kind, bool(names))
        of_kind: list[PlannedCandidate] = []
        for name, size in asked:
            repeats = 1 if size else series.plan.repeats
            choice = replace(series.plan, kind=name, tiles=size, repeats=repeats)
            try:
                plan = make_plan(replace(series, plan=choice), series_hash=digest)
            except UsageError:
                raise
            except FirelabError as fault:
                console.remark(f"{name}, {size or 'own'} tiles, left out: {fault}")
                continue
            if sizes and size:
                remark_size(plan, size)
                if plan.n_tiles < size and "shortfall" in plan.figures:
                    console.remark(f"{size} tiles do not fit the budget: {plan.n_tiles} do")
            if all(plan.n_tiles != one.plan.n_tiles for one in of_kind):
                of_kind.append(PlannedCandidate(kind=name, plan=plan))
            if not sizes and len(of_kind) == OWN_SIZES:
                break
        found += sorted(of_kind, key=lambda one: one.plan.n_tiles)
    return found


OWN_SIZES = 3
"""Sizes that are tried where none is asked for: a line through them can be drawn."""

_SHARES = (2 / 3, 4 / 3, 1 / 2, 5 / 6)
"""Of the series' own size; the last two where the budget leaves no room for more. Chosen
here, no source."""


def _own_sizes(
    series: FiringSeries, kind: str, named: bool
) -> list[tuple[str, int | None]]:
    """Return kinds and sizes about the series' own; a kind of fixed size lends another."""
    from firelab.plan.kinds.registry import kind_named
    from firelab.plan.make_plan import make_plan

    own = make_plan(series).n_tiles
    other = kind if named or kind_named(kind).sized else "d-optimal"
    return [
        (kind, series.plan.tiles),
        *((other, max(2, round(own * share))) for share in _SHARES),
    ]


def _size(written: str) -> int:

    try:
        size = int(written)
    except ValueError:
        size = 0
    if size < 1:
        raise UsageError(
            f"{written.strip()!r} is no number of tiles", "--tiles", "such as 12,24,36"
        )
    return size


@contextmanager
def cluster_backend(address: str) -> Iterator[str]:
    """Yield the joblib backend: processes here, or a Dask cluster."""
    if not address:
        yield "loky"
        return
    try:
        import distributed
    except ImportError:
        raise UsageError(
            "Dask is not installed", "--dask", "pip install 'firelab[cluster]'"
        ) from None
    try:
        make_client: Callable[..., Any] = distributed.Client
        client = (
            make_client() if address == "local" else make_client(address, timeout="10s")
        )
    except OSError as fault:
        raise UsageError(
            f"no Dask scheduler answers at {address}: {fault}", "--dask"
        ) from None
    with client:
        yield "dask"
