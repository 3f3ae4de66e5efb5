"""`firelab pool`: several studios' bundles of one colour."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from firelab.cli import console

if TYPE_CHECKING:
    import numpy as np

    from firelab.studios.pooling.pool_fit import PooledStage

EXAMPLE = "firelab pool north.zip south.zip east.zip"


def command(
    bundles: Annotated[
        list[Path] | None, typer.Argument(help="Bundles or series folders of one colour.")
    ] = None,
    carry: Annotated[
        Path | None,
        typer.Option(help="Series folder of a new studio that fired control tiles."),
    ] = None,
    summaries: Annotated[
        Path | None,
        typer.Option(
            help="CSV of edges where tiles are not shared: studio, material, value, "
            "lower, upper (degC), level."
        ),
    ] = None,
    controls: Annotated[
        int, typer.Option(min=1, max=12, help="Control tiles tried for a new studio.")
    ] = 6,
    same_colour: Annotated[
        bool,
        typer.Option("--same-colour", help="Names that differ are one colour: join them."),
    ] = False,
    figure: Annotated[
        Path | None, typer.Option(help="Consistency figure, name without ending.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="JSON file to write.")] = None,
    as_json: console.AsJson = False,
) -> None:
    """Pool several studios' tiles of one colour: shifts in degC, windows, precision.

    Control tiles of a shared colour tell a kiln's offset from the studio's own
    hand. A control tile is fired like any other: mind dust, heat and glare.
    """
    from firelab.errors import UsageError

    with console.exit_on_fault(as_json=as_json):
        if summaries is not None:
            _pool_summaries(summaries, as_json=as_json)
            return
        if not bundles:
            raise UsageError(
                "nothing to pool", "BUNDLES", f"name two bundles or more: {EXAMPLE}"
            )
        content, text = _pool(bundles, carry, controls, figure, same_colour=same_colour)
        if out is not None:
            from firelab.series.folder import json_text, write_atomically

            write_atomically(out, json_text(content))
            console.remark(f"wrote {out}")
        if as_json:
            console.result_json(content)
        else:
            console.result(text)


def _pool(
    bundles: list[Path],
    carry: Path | None,
    controls: int,
    figure: Path | None,
    *,
    same_colour: bool,
) -> tuple[dict[str, Any], str]:
    import numpy as np

    from firelab.studios.pooling.part import read_part
    from firelab.studios.pooling.pooling import pool_parts

    parts = [read_part(path) for path in bundles]
    rng = np.random.default_rng(parts[0].records.series.seed)
    console.progress("pooling")
    pooling = pool_parts(parts, rng=rng, most_controls=controls, same_colour=same_colour)
    console.progress_done()
    content, text = pooling.to_dict(), pooling.summary()
    if carry is not None:
        carried, words = _carry(pooling.fit, carry, rng)
        content["carried"] = carried
        text += "\n\n" + words
    if figure is not None:
        from firelab.charts.studio_consistency import draw_consistency
        from firelab.charts.style import save_figure

        for path in save_figure(draw_consistency(pooling), figure):
            console.remark(f"wrote {path}")
    return content, text


def _carry(
    fit: PooledStage, folder: Path, rng: np.random.Generator
) -> tuple[dict[str, Any], str]:
    from firelab.records.firing_log import read_firings
    from firelab.studios.pooling.new_studio import after_controls, before_controls

    looks = read_firings(folder).counted
    studio = after_controls(before_controls(fit, rng=rng), looks)
    windows = studio.windows(rng=rng)
    low, middle, high = studio.shift_degC
    content = {
        "controls": studio.n_controls,
        "shift_degC": {"estimate": middle, "lower": low, "upper": high},
        "windows": windows.to_dict(),
    }
    head = (
        f"{folder}: {studio.n_controls} looks; fuses earlier than the pooled mean by "
        f"{middle:+.0f} degC ({low:+.0f} to {high:+.0f})"
    )
    return content, f"{head}\n{windows.summary()}"


def _pool_summaries(path: Path, *, as_json: bool) -> None:
    import pandas as pd

    from firelab.errors import FirelabError, RecordsInsufficient
    from firelab.studios.pooling.pooling import combine_edges

    try:
        measured = pd.read_csv(path)
    except (ValueError, UnicodeDecodeError) as fault:
        raise FirelabError(
            f"is not a table: {fault}", str(path), "save it as CSV UTF-8"
        ) from None
    for name in ("value", "lower", "upper", "level"):
        if name in measured:
            measured[name] = pd.to_numeric(measured[name], errors="coerce")
    found = combine_edges(measured)
    if not found:
        raise RecordsInsufficient(
            "no edge was met by two studios with a whole interval",
            str(path),
            "two studios are the fewest",
        )
    if as_json:
        console.result_json(
            {
                "schema": "firelab/meta-edges/1",
                "edges": {name: one.to_dict() for name, one in found.items()},
            }
        )
        return
    for name, one in found.items():
        console.result(f"{name}: {one.summary()}")
