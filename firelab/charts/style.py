"""The look that every figure shares, and figures as files.

Colours differ in lightness as well as hue, and nothing is shown by colour alone:
grades have a marker each, edges a line style each, regions a hatch each. The same
figure gives the same bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import LinearSegmentedColormap, to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox

from firelab.series.folder import INVENTED, write_atomically

INK = "#1a1a1a"
"""Text, axes and outlines."""
PAPER = "#ffffff"
QUIET = "#595959"
"""Secondary text; at least 7:1 on `PAPER`."""
UNFIRED = "#ececec"
"""Ground of what was never fired, dotted so that grey tells it from the map."""
UNFIRED_DOTS: dict[str, Any] = {
    "facecolor": UNFIRED,
    "hatch": ".",
    "edgecolor": "#a8a8a8",
}
LOW_EDGE = "#0b4f8a"
HIGH_EDGE = "#a83a0c"
TEXT_PT = 11.0
SMALL_PT = 10.0
PNG_DPI = 150
WIDTH_IN = 5.0
"""Width of every figure, inches: readable on a phone, sharp on paper."""

PROBABILITY_COLOURS = LinearSegmentedColormap.from_list(
    "firelab_probability", ["#fbf9f2", "#cfdfd2", "#8fbfb9", "#4a98a6", "#1d6d8c"]
)
"""Probability from 0 (near white) to 1; lightness falls all the way, so grey reads it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeMark:
    """How one grade is drawn: its marker and its fill."""

    marker: str
    fill: str


_BELOW = (("o", "#ffffff"), ("^", "#f2c14e"), ("v", "#e8a33d"), ("p", "#d98c2b"))
_TARGET = (("s", "#0b3c6f"), ("D", "#0b3c6f"), ("h", "#0b3c6f"))
_ABOVE = (("X", "#b3391f"), ("P", "#8c2a16"), ("*", "#5f1a0d"))


def grade_marks(grades: Sequence[str], target: Sequence[str]) -> dict[str, GradeMark]:
    """Give each grade a marker: open below the target, square on it, a cross above.

    Parameters
    ----------
    grades : sequence of str
        In order.
    target : sequence of str
        The wanted ones.

    Examples
    --------
    >>> marks = grade_marks(["sugar", "orange peel", "full", "over"], ["full"])
    >>> [marks[grade].marker for grade in marks]
    ['o', '^', 's', 'X']
    """
    first = list(grades).index(target[0])
    last = list(grades).index(target[-1])
    groups = ((_BELOW, 0), (_TARGET, first), (_ABOVE, last + 1))
    marks = {}
    for place, grade in enumerate(grades):
        looks, start = groups[(place >= first) + (place > last)]
        marker, fill = looks[(place - start) % len(looks)]
        marks[grade] = GradeMark(marker=marker, fill=fill)
    return marks


@contextmanager
def _drawing_style() -> Iterator[None]:
    """Hold the style of firelab's figures while one is drawn or written.

    Matplotlib reads some of its parameters only when a figure is written, so
    drawing and writing both stand inside.
    """
    rc: dict[Any, Any] = {
        "axes.axisbelow": True,
        "grid.color": "#cccccc",
        "lines.solid_capstyle": "round",
        "patch.edgecolor": "w",
        "patch.force_edgecolor": True,
        "figure.facecolor": PAPER,
        "axes.facecolor": PAPER,
        "axes.edgecolor": INK,
        "axes.labelcolor": INK,
        "text.color": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "font.family": ["DejaVu Sans"],
        "font.size": TEXT_PT,
        "axes.titlesize": TEXT_PT,
        "figure.titlesize": TEXT_PT,
        "axes.labelsize": TEXT_PT,
        "xtick.labelsize": SMALL_PT,
        "ytick.labelsize": SMALL_PT,
        "legend.fontsize": SMALL_PT,
        "legend.frameon": False,
        "hatch.linewidth": 0.9,
        "svg.hashsalt": "firelab",
        "svg.fonttype": "path",
    }
    with mpl.rc_context(rc):
        yield


@contextmanager
def drawn_figure(height_in: float, title: str, *, invented: bool) -> Iterator[Figure]:
    """Hold the style over a new figure with its title, and settle what was drawn on it.

    Nothing global holds the figure; where its data are invented, it says so itself.
    """
    with _drawing_style():
        figure = Figure(figsize=(WIDTH_IN, height_in), dpi=PNG_DPI, layout="constrained")
        FigureCanvasAgg(figure)
        words = f"{title}\n{INVENTED}" if invented else title
        figure.suptitle(words, fontsize=TEXT_PT)
        yield figure
        _settle_layout(figure)


def add_two_column_legend(
    figure: Figure, left: Sequence[Artist], right: Sequence[Artist]
) -> None:
    """Put a legend below a figure, two lists of keys side by side."""
    rows = max(len(left), len(right))
    nothing = Line2D([], [], linestyle="none", label="")
    columns = [[*keys, *[nothing] * (rows - len(keys))] for keys in (left, right)]
    figure.legend(
        handles=[*columns[0], *columns[1]],
        loc="outside lower center",
        ncols=2,
        handlelength=1.8,
        columnspacing=1.2,
    )


_LAYOUTS = 1
"""Rounds of the layout: a second moves nothing by more than 0.12 points, a third nothing
(measured on the figures of the demonstration)."""


def _settle_layout(figure: Figure) -> None:
    """Lay a finished figure out once and for all.

    The layout engine moves things a little at each drawing, and its solver's
    last digits depend on where objects lie in memory; held still and rounded,
    the same values give the same bytes.
    """
    engine = figure.get_layout_engine()
    if engine is not None:
        _measure_once(figure)
        for _ in range(_LAYOUTS):
            engine.execute(figure)
        for axes in figure.axes:
            del axes.get_tightbbox
    figure.set_layout_engine("none")
    for axes in figure.axes:
        corners = np.round(axes.get_position().get_points(), 6)
        axes.set_position(Bbox(corners))


def _measure_once(figure: Figure) -> None:
    """Let the layout measure each panel's ticks and words once.

    The engine works in two rounds, and in each measures every tick two and three
    times. What stands around a panel is as wide in the second as in the first, a
    label without words is nowhere, and a title without an axis above it stays.
    """
    axes: Any
    for axes in figure.axes:
        for one in (axes, *axes.child_axes):
            for axis in (one.xaxis, one.yaxis):
                if not axis.label.get_text():
                    axis.set_label_coords(0.5, 0.5)
            for spine in one.spines.values():
                spine.set_in_layout(False)  # the ticks on it reach further
            one._autotitlepos = None if one.child_axes else False
        axes.get_tightbbox = _kept_margins(axes)


def _kept_margins(axes: Any) -> Callable[..., Bbox | None]:
    """Return a panel's `get_tightbbox` that remembers how far its words reach out."""
    measure = axes.get_tightbbox
    reach: list[Any] = []

    def get_tightbbox(renderer: Any, **options: Any) -> Bbox | None:
        if not reach:
            whole = measure(renderer, **options)
            reach.append(None if whole is None else whole.extents - axes.bbox.extents)
        if reach[0] is None:
            return None
        return Bbox.from_extents(*(axes.bbox.extents + reach[0]))

    return get_tightbbox


def figure_bytes(figure: Figure, kind: str) -> bytes:
    """Return a settled figure as PNG or SVG, with no date in it; one drawing each."""
    stream = io.BytesIO()
    with _drawing_style():
        if kind == "png":
            agg: Any = FigureCanvasAgg(figure)
            agg.print_png(stream, metadata={"Software": None})
        else:
            no_date = {"Date": None, "Creator": None}
            vector: Any = FigureCanvasSVG(figure)
            vector.print_svg(stream, metadata=no_date)
            FigureCanvasAgg(figure)
    return stream.getvalue()


def save_figure(figure: Figure, path: str | Path) -> tuple[Path, Path]:
    """Write a figure as PNG and SVG beside each other.

    Parameters
    ----------
    figure : Figure
    path : str or Path
        Where to; an ending ``.png`` or ``.svg`` counts for nothing, since both are
        written, and missing folders are made.

    Returns
    -------
    tuple of (Path, Path)
        The PNG and the SVG file.

    Examples
    --------
    >>> import firelab
    >>> records = firelab.read_firings(firelab.start_demo())
    >>> figure = firelab.charts.plan(records.series, records.plan)
    >>> png, svg = firelab.charts.save_figure(figure, firelab.start_demo() / "plan")
    >>> svg.name
    'plan.svg'
    """
    png, svg = write_figure(
        {kind: figure_bytes(figure, kind) for kind in ("png", "svg")}, path
    )
    return png, svg


def write_figure(drawn: Mapping[str, bytes], path: str | Path) -> tuple[Path, ...]:
    """Write a figure that was drawn, one file per kind; see `save_figure`."""
    stem = Path(path)
    if stem.suffix.lower().removeprefix(".") in drawn:
        stem = stem.with_suffix("")
    stem.parent.mkdir(parents=True, exist_ok=True)
    files = {kind: stem.with_name(f"{stem.name}.{kind}") for kind in drawn}
    for kind, target in files.items():
        write_atomically(target, drawn[kind])
    return tuple(files.values())


DARK_PROBABILITY = LinearSegmentedColormap.from_list(
    "firelab_probability_dark", ["#191d20", "#1c343c", "#204f5c", "#286d80", "#3189a3"]
)
"""Probability from 0 (near black) to 1; lightness rises all the way, so grey reads it."""

_MAP_BANDS = np.linspace(0.05, 0.95, 10)
"""Middles of the bands of a map."""

DARK_FORM = {
    **{
        to_hex(PROBABILITY_COLOURS(one)): to_hex(DARK_PROBABILITY(one))
        for one in _MAP_BANDS
    },
    INK: "#ececec",
    PAPER: "#16181a",
    QUIET: "#c4c0b8",
    UNFIRED: "#2a2d30",
    UNFIRED_DOTS["edgecolor"]: "#70757a",
    LOW_EDGE: "#6db3f2",
    HIGH_EDGE: "#ff9d66",
    "#0b3c6f": "#8ec1f5",
    "#b3391f": "#f0704e",
    "#8c2a16": "#d95f41",
    "#5f1a0d": "#c05038",
    "#4a98a6": "#286d80",
    "#b7d3cf": "#2c5a58",
    "#b0b0b0": "#6a6a6a",
    "#dcdcdc": "#3a3d40",
}
"""Each colour of a figure and what stands for it on a dark ground; what is not named
(the yellow of a star, of orange peel) stays."""

_COLOUR = re.compile("|".join(DARK_FORM))


def both_forms(svg: bytes) -> bytes:
    """Return a figure's SVG that shows itself light or dark, as the screen asks.

    It is drawn once: each colour becomes a variable that the picture itself sets
    (``prefers-color-scheme``, W3C Media Queries 5); paper is always light.

    Returns
    -------
    bytes
        Not longer than a tenth more.
    """
    text = svg.decode("utf-8")
    used = sorted(set(_COLOUR.findall(text)))
    light = ";".join(f"--{one[1:]}:{one}" for one in used)
    dark = ";".join(f"--{one[1:]}:{DARK_FORM[one]}" for one in used)
    rules = f"svg{{{light}}}@media screen and (prefers-color-scheme:dark){{svg{{{dark}}}}}"
    text = _COLOUR.sub(lambda found: f"var(--{found[0][1:]})", text)
    return text.replace("</style>", f"{rules}</style>", 1).encode("utf-8")
