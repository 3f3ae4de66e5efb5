"""What is believed before any tile is fired, as a series may state it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field
from pydantic.dataclasses import dataclass

from firelab.series.written import STRICT, DegCApart

Positive = Annotated[float, Field(gt=0, le=1000)]
Apart = Annotated[DegCApart, Field(gt=0, le=1000)]
Spread = Annotated[float, Field(gt=0, le=10)]
Place = Annotated[float, Field(ge=-10, le=10)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class PriorWish:
    """The table ``[priors]`` of series.toml; what is not stated has its default.

    How sharply a grade passes, how wide it is and what dwell is worth are in
    degC apart: they belong to the enamel, not to the range that is searched.
    The medians are common practice, no source. A spread is the standard
    deviation of the natural logarithm.

    Attributes
    ----------
    blur, blur_spread : float
        Median and spread of the degrees over which a grade passes from 20 % to
        80 % of the tiles of a load.
    place, place_spread : float
        Mean and standard deviation of the middle of the scale of grades, in
        half ranges: the coldest temperature of the series is at -1, the
        hottest at +1.
    grade_width, grade_width_spread : float
        Median and spread of the degrees that one grade is wide, on a scale of
        four.
    doubling, doubling_spread : float
        Median and spread of the degrees that doubling the dwell is worth.
    effect : float
        Standard deviation of the degrees that mesh, layers and base are worth,
        per half of their range.
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

    blur: Apart = 20.0
    blur_spread: Spread = 0.7
    place: Place = 0.0
    place_spread: Positive = 0.75
    grade_width: Apart = 30.0
    grade_width_spread: Spread = 0.8
    doubling: Apart = 30.0
    doubling_spread: Spread = 0.7
    effect: Apart = 30.0
    interaction: Apart = 15.0
    load_sd: Positive = 0.8
    tile_sd: Positive = 3.0
    clarity_effect: Positive = 0.25
    clarity_load_sd: Positive = 0.1
    clarity_tile_sd: Positive = 0.15
