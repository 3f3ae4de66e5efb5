"""The dark form of a figure: the same drawing, its colours chosen where it is shown.

A figure is drawn once. In its SVG each colour becomes a variable that the picture itself
sets, light or dark as the reader's screen asks (``prefers-color-scheme``, W3C Media
Queries 5); paper is always light.
"""

from __future__ import annotations

import re

import numpy as np
from matplotlib.colors import LinearSegmentedColormap, to_hex

from firelab.charts.style import (
    HIGH_EDGE,
    INK,
    LOW_EDGE,
    PAPER,
    PROBABILITY_COLOURS,
    QUIET,
    UNFIRED,
    UNFIRED_DOTS,
)

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

    Parameters
    ----------
    svg : bytes
        As `figure_bytes` writes it.

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
