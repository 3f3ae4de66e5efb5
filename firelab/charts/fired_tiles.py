"""Fired tiles as marks: one shape per grade, side by side where they share a place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.transforms import ScaledTranslation

from firelab.charts.style import INK, PAPER, GradeMark
from firelab.plan.plan import Plan
from firelab.records.records import Records
from firelab.windows.edges.fired_range import FiredRange

_STEP_PT = 10.5
"""Distance between two tiles of one place, points."""
_SIZE_PT = 8.0
_DOT_PT = 4.0


def tiles_at(records: Records, setting: Mapping[str, Any]) -> pd.DataFrame:
    """Return the graded looks at one setting of mesh, layers and base."""
    return rows_at(records.graded, setting).reset_index(drop=True)


def rows_at(frame: pd.DataFrame, setting: Mapping[str, Any]) -> pd.DataFrame:
    """Return the rows of a frame of tiles that have a setting of mesh, layers and base."""
    chosen = [frame[name].astype(str) == str(value) for name, value in setting.items()]
    return frame[np.logical_and.reduce(chosen)]


def _spread_places(count: int) -> list[tuple[float, float]]:
    """Return offsets, in points, that set `count` marks around one place.

    Rows of at most three, centred on the place.

    Examples
    --------
    >>> _spread_places(1), _spread_places(2)
    ([(0.0, 0.0)], [(-5.25, 0.0), (5.25, 0.0)])
    """
    rows = [min(3, count - start) for start in range(0, count, 3)]
    places = []
    for row, width in enumerate(rows):
        across = [(column - (width - 1) / 2) * _STEP_PT for column in range(width)]
        up = ((len(rows) - 1) / 2 - row) * _STEP_PT
        places += [(right, up) for right in across]
    return places


def draw_tiles(axes: Axes, tiles: pd.DataFrame, marks: Mapping[str, GradeMark]) -> None:
    """Draw each graded look at its temperature and dwell.

    The dwell of a tile fired on at another temperature is what its heat counts
    there.

    Parameters
    ----------
    axes : Axes
        degC by s.
    tiles : DataFrame
        Columns ``temperature_degC, dwell_s, stage``.
    marks : mapping of str to GradeMark
    """
    placed = _placed(tiles)
    for size, edge, width in ((_SIZE_PT + 2.5, PAPER, 2.0), (_SIZE_PT, INK, 1.1)):
        for grade, mark in marks.items():
            alike = [one for one in placed if str(one[0]["stage"]) == grade]
            _draw_marks(axes, alike, (mark.marker, mark.fill, edge), (size, width))


def draw_clear_dots(axes: Axes, tiles: pd.DataFrame, records: Records) -> None:
    """Set a pale dot into each tile at the target stage that is clear enough too.

    Parameters
    ----------
    axes : Axes
        With the tiles drawn by `draw_tiles`.
    tiles : DataFrame
        The same.
    records : Records
        Of a series that scores transparency.
    """
    responses = records.series.responses
    scale = responses.transparency
    if scale is None:
        return
    enough = [
        (look, place)
        for look, place in _placed(tiles)
        if str(look["stage"]) in responses.stage.target
        and scale.sign * (look["transparency"] - scale.target) >= 0
    ]
    _draw_marks(axes, enough, ("o", PAPER, PAPER), (_DOT_PT, 0.0))


def clear_key(target: float) -> Line2D:
    """Return the legend key of `draw_clear_dots`."""
    return Line2D(
        [],
        [],
        linestyle="none",
        marker="o",
        markersize=_DOT_PT,
        markerfacecolor=PAPER,
        markeredgecolor=INK,
        label=f"inside: score {target:g}",
    )


def within_dwells(tiles: pd.DataFrame, fired: FiredRange) -> pd.DataFrame:
    """Return the looks whose dwell lies among those that were fired at one temperature.

    A tile fired on can have had the heat of a dwell that nobody fired, and then
    stands beside no curve and on no map.
    """
    return tiles[tiles["dwell_s"].map(fired.holds_dwell).astype(bool)]


def beyond_keys(count: int) -> list[Line2D]:
    """Return a legend line that counts the looks that are not drawn, if there are any."""
    words = f"not drawn: {count} fired on,\nbeyond these dwells"
    return [Line2D([], [], linestyle="none", label=words)] if count else []


Placed = tuple[dict[str, Any], tuple[float, float]]
"""A look and its offset, points."""


def _placed(tiles: pd.DataFrame) -> list[Placed]:
    """Return each look with its offset, so that tiles of one place stand apart."""
    ordered = tiles.sort_values("stage", kind="stable")
    columns = {str(name): ordered[name].tolist() for name in ordered}
    nearby: dict[tuple[int, int], list[dict[str, Any]]] = {}
    for values in zip(*columns.values(), strict=True):
        look = dict(zip(columns, values, strict=True))
        place = round(look["temperature_degC"]), round(look["dwell_s"])
        nearby.setdefault(place, []).append(look)
    placed = []
    for _, looks in sorted(nearby.items()):
        placed += list(zip(looks, _spread_places(len(looks)), strict=True))
    return placed


def _draw_marks(
    axes: Axes,
    looks: Sequence[Placed],
    shape: tuple[str, str, str],
    sizes: tuple[float, float],
) -> None:
    """Draw looks that are marked alike, those with the same offset as one artist."""
    canvas = axes.get_figure(root=True)
    if canvas is None:
        raise ValueError("axes stand in no figure")
    for place in dict.fromkeys(place for _, place in looks):
        here = [look for look, at in looks if at == place]
        moved = ScaledTranslation(place[0] / 72, place[1] / 72, canvas.dpi_scale_trans)
        axes.plot(
            [look["temperature_degC"] for look in here],
            [look["dwell_s"] for look in here],
            linestyle="none",
            marker=shape[0],
            markersize=sizes[0],
            markerfacecolor=shape[1],
            markeredgecolor=shape[2],
            markeredgewidth=sizes[1],
            transform=axes.transData + moved,
            zorder=6,
            clip_on=False,
        )


def grade_keys(
    grades: Sequence[str], marks: Mapping[str, GradeMark], counts: Mapping[str, int]
) -> list[Line2D]:
    """Return legend keys of the grades with the number of looks at each."""
    return [
        Line2D(
            [],
            [],
            linestyle="none",
            marker=marks[grade].marker,
            markersize=_SIZE_PT,
            markerfacecolor=marks[grade].fill,
            markeredgecolor=INK,
            label=f"{grade} ({counts.get(grade, 0)})",
        )
        for grade in grades
    ]


def planned_settings(plan: Plan) -> list[dict[str, Any]]:
    """Return each setting that the plan tests, by mesh, coats and base."""
    names = ["mesh", "layers", "base"]
    tested = plan.table.query("role != 'control'")[names]
    rows = tested.drop_duplicates().sort_values(names).to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]
