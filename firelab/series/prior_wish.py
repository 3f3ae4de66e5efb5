"""What is believed before any tile is fired, as a series may state it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass

from firelab.series.written import STRICT

Positive = Annotated[float, Field(gt=0, le=1000)]
Spread = Annotated[float, Field(gt=0, le=10)]
Place = Annotated[float, Field(ge=-10, le=10)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PriorWish:
    """The table ``[priors]`` of series.toml; what is not stated has its default.

    Widths and places are in half fired ranges: the coldest temperature of the
    series is at -1, the hottest at +1. A spread is the standard deviation of
    the natural logarithm.

    Attributes
    ----------
    steepness, steepness_spread : float
        Median and spread of the temperature effect: by how many logits half
        the fired range moves the grade.
    place, place_spread : float
        Mean and standard deviation of the middle of the scale of grades.
    grade_width, grade_width_spread : float
        Median and spread of the width of one grade, on a scale of four.
    dwell, dwell_spread : float
        Median and spread of the dwell effect (half the range of ln dwell), as
        a share of the temperature effect.
    effect : float
        Standard deviation of the effects of mesh, layers and base, as a share
        of the temperature effect.
    interaction : float
        The same for products and squares.
    load_sd, tile_sd : float
        Scales of the half-normal standard deviations, in logits, between loads
        and between tiles that are looked at more than once.
    clarity_effect : float
        Of the transparency score, as a share of its range: standard deviation
        of the effect of half the range of a factor; half as much for products
        and squares, and 1.4 times as much between two bases.
    clarity_load_sd, clarity_tile_sd : float
        Scales of the half-normal standard deviations of the score between
        loads and between tiles of one load, as shares of its range.
    """

    steepness: Positive = 4.0
    steepness_spread: Spread = 0.7
    place: Place = 0.0
    place_spread: Positive = 0.75
    grade_width: Positive = 0.5
    grade_width_spread: Spread = 0.8
    dwell: Positive = 0.35
    dwell_spread: Spread = 0.7
    effect: Positive = 0.5
    interaction: Positive = 0.25
    load_sd: Positive = 0.5
    tile_sd: Positive = 1.5
    clarity_effect: Positive = 0.25
    clarity_load_sd: Positive = 0.1
    clarity_tile_sd: Positive = 0.15
