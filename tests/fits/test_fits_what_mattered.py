"""What mattered, in degrees: exact words from draws whose answer is worked out by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from firelab.fits.ordinal.stage_draws import StageDraws
from firelab.fits.ordinal.what_mattered import (
    DeviationDraws,
    deviation_lines,
    misread_loads,
    misread_words,
    stage_differences,
)
from firelab.series.series_file import design_path, read_series
from firelab.series.terms import term_columns

SERIES = read_series(design_path("clear-transparent"))
TERMS = ("temperature", "dwell", "mesh", "layers")


def draws_of(coefficients, series=SERIES):
    """Draws around stated coefficients, latent units per half range, in equal steps."""
    spread = np.linspace(-1.0, 1.0, 201)[:, None] * np.array([0.0, 0.0, 0.1, 0.1])
    values = np.array(coefficients) + spread
    return StageDraws(
        thresholds=np.tile([-1.0, 0.0, 1.0], (len(values), 1)),
        coefficients=values,
        load_sd=np.zeros(len(values)),
        tile_sd=np.zeros(len(values)),
        link="logit",
        columns=term_columns(series, TERMS),
    )


def by_hand(series, beta):
    """Heat (degC) that makes the other level good, and seconds worth a step of heat."""
    low, high = series.span("temperature")
    short, long = series.span("dwell")
    per_degC = beta[0] / ((high - low) / 2)
    per_ln = beta[1] / (np.log(long / short) / 2)
    return per_degC, per_ln, np.sqrt(short * long)


@pytest.mark.parametrize(("reads", "step"), [("degF", 10 / 1.8), ("degC", 5.0)])
def test_heat_against_dwell_and_levels_is_what_arithmetic_gives(reads, step):
    series = replace(SERIES, kiln=replace(SERIES.kiln, reads=reads))
    beta = (8.0, 2.0, 0.0, -1.0)
    per_degC, per_ln, middle = by_hand(series, beta)
    dwell, mesh, coats = stage_differences(series, TERMS, draws_of(beta, series))
    longer = middle * (np.exp(step * per_degC / per_ln) - 1)
    own = {"degF": "10 °F (6 °C)", "degC": "5 °C (9 °F)"}[reads]
    worth = f"{longer:.0f} s longer ({longer:.0f} to {longer:.0f})."
    assert dwell == f"{own} hotter does as much as {worth}"
    within = 2 * 0.09 / per_degC  # 90 % of draws evenly spread over 0 +/- 0.1
    both = {"degC": f"{within:.0f} °C", "degF": f"{within * 1.8:.0f} °F"}
    other = "degC" if reads == "degF" else "degF"
    first, second = series.factors.levels("mesh")
    assert mesh == (
        f"{second} mesh or {first} mesh: no difference seen "
        f"(within {both[reads]}, {both[other]})."
    )
    more, scale = 2 * 1.0 / per_degC, 1.8 if reads == "degF" else 1.0
    unit = "°F" if reads == "degF" else "°C"
    numbers = {"degC": f"{more:.0f} °C", "degF": f"{more * 1.8:.0f} °F"}
    assert coats == (
        f"2 coats need {numbers[reads]} ({numbers[other]}) more than 1 coat "
        f"({(more - within) * scale:.0f} to {(more + within) * scale:.0f} {unit})."
    )


def test_a_fit_without_temperature_compares_nothing():
    assert stage_differences(SERIES, ("mesh",), draws_of((8.0, 2.0, 0.0, -1.0))) == ()


SAID = {
    "place": (
        "Place 3 of the rack is {}: leave it free, or leave tiles there longer.",
        "Place 3 of the rack is {}: leave it free, or take tiles out there earlier.",
    ),
    "load": ("Load 3 came out as if {}: was it read right?",) * 2,
    "observer": ("3 grades as if tiles were {}.",) * 2,
}
THAN = {"place": "the others", "load": "it read", "observer": "for the others"}


@pytest.mark.parametrize("kind", SAID)
@pytest.mark.parametrize("side", [1, -1])
def test_a_place_a_load_or_a_person_apart_is_named_and_no_other(kind, side):
    """12 degC from the rest, 90 % of evenly spread draws within 1.8 of it."""
    spread = np.linspace(-1.0, 1.0, 201)[:, None] * [0.0, 0.0, 2.0]
    degC = side * (np.array([-3.0, -3.0, 9.0]) + spread)
    drawn = DeviationDraws(sd_degC=np.full(201, 6.0), groups=("1", "2", "3"), degC=degC)
    more = "hotter" if side > 0 else "cooler"
    degrees = f"22 °F (12 °C) {more} than {THAN[kind]} (18 to 25 °F)"
    (line,) = deviation_lines(SERIES, {kind: drawn})
    assert line == SAID[kind][side > 0].format(degrees)


def test_of_two_places_the_hotter_is_named():
    degC = np.tile([5.0, -5.0], (201, 1))
    drawn = DeviationDraws(sd_degC=np.full(201, 6.0), groups=("1", "2"), degC=degC)
    (line,) = deviation_lines(SERIES, {"place": drawn})
    assert line.startswith("Place 1 of the rack is 18 °F (10 °C) hotter than the others")


def test_places_that_may_be_alike_are_not_named():
    degC = np.random.default_rng(1).normal(0.0, 3.0, (400, 4))
    drawn = DeviationDraws(sd_degC=np.full(400, 3.0), groups=tuple("1234"), degC=degC)
    assert deviation_lines(SERIES, {"place": drawn, "load": drawn}) == ()


def test_a_load_of_another_temperature_is_asked_back_as_a_whole():
    looks = pd.DataFrame({"tile": list("ABCDDEF"), "load": [7, 7, 7, 8, 8, 9, 9]})
    # Of one tile, though looked at twice, it is the look that is asked back.
    chance, hotter = np.array([0.6, 0.9, 0.4]), np.tile([40.0, 25.0, 60.0], (3, 1))
    (found,) = misread_loads(looks, chance, hotter)
    assert (found["load"], found["chance"]) == (7, 0.6)
    assert misread_words(found, "degF") == SAID["load"][1].replace("3", "7").format(
        "72 °F (40 °C) hotter than it read (45 to 108 °F)"
    )
