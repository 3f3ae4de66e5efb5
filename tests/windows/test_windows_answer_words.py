"""The answer in workshop words, letter by letter, of windows set by hand."""

from dataclasses import replace

import numpy as np
import pytest

from firelab.cli.next import _why_elsewhere
from firelab.craft.units import to_degC
from firelab.series.folder import Provenance
from firelab.windows.setting_window import (
    DwellEdges,
    EdgeInterval,
    Edges,
    ProbabilityMap,
    Recipe,
    SettingWindow,
)
from firelab.windows.window import FiringWindows


def edge(degF):
    at = to_degC(degF)
    return EdgeInterval(estimate=at, lower=at - 5.0, upper=at + 5.0)


RECIPE = Recipe(
    temperature_degC=to_degC(1395.0),
    dwell_s=155.0,
    tolerance_degC=17.0 / 1.8,
    tolerance_s=14.0,
    probability=0.99,
    assurance=0.8,
)
EVEN = np.full((2, 2), 0.5)
WINDOW = SettingWindow(
    setting={"mesh": 80, "layers": 1, "base": "none"},
    edges=(Edges(dwell_s=155.0, low_degC=edge(1366.0), high_degC=edge(1424.0)),),
    dwell_edges=(
        DwellEdges(temperature_degC=757.0, low_s=edge(300.0), high_s=edge(320.0)),
    ),
    recipe=RECIPE,
    best=RECIPE,
    reason=None,
    reason_code=None,
    settle=(),
    assured_share=0.2,
    map=ProbabilityMap(
        temperature_degC=np.array([700.0, 820.0]),
        dwell_s=np.array([90.0, 210.0]),
        probability=EVEN,
        assurance=EVEN,
    ),
)
UNSURE = replace(
    WINDOW,
    recipe=None,
    best=replace(RECIPE, probability=0.69, assurance=0.28),
    reason="No firing is sure enough: 80 of 100 tiles as wanted is 28% sure at best",
    reason_code="not-sure-enough",
    settle=("fire another load near 1395 degF",),
)


def asked_of(*windows, reads="degF"):
    return FiringWindows(
        windows=windows,
        target=("full",),
        score_target=None,
        probability=0.8,
        confidence=0.8,
        level=0.9,
        priors=(),
        notes=(),
        reads=reads,
        provenance=Provenance(series_hash="ab" * 32, seed=1, versions={}, sources={}),
    )


@pytest.mark.parametrize(
    ("reads", "told"),
    [
        (
            "degF",
            "80 mesh, 1 coat, on bare metal: Set 1395 °F (757 °C) for 2 min 35 s.\n"
            "   You may be 17 °F (9 °C) and 14 s off.\n"
            "   Expect 99 of 100 tiles full; fewer than 80 is unlikely (1 in 5).\n"
            "   Held 2 min 35 s: full from 1366 to 1424 °F (741 to 773 °C).",
        ),
        (
            "degC",
            "80 mesh, 1 coat, on bare metal: Set 757 °C (1395 °F) for 2 min 35 s.\n"
            "   You may be 9 °C (17 °F) and 14 s off.\n"
            "   Expect 99 of 100 tiles full; fewer than 80 is unlikely (1 in 5).\n"
            "   Held 2 min 35 s: full from 741 to 773 °C (1366 to 1424 °F).",
        ),
    ],
)
def test_a_recipe_in_the_unit_of_the_kiln(reads, told):
    assert asked_of(WINDOW, reads=reads).summary() == told


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (1, "1 more setting stands in windows.csv."),
        (2, "2 more settings stand in windows.csv."),
    ],
)
def test_settings_beyond_the_third_are_counted(more, told):
    several = [
        replace(WINDOW, setting={"mesh": mesh, "layers": 1, "base": "none"})
        for mesh in (80, 100, 150, 200, 325)[: 3 + more]
    ]
    assert told in asked_of(*several).summary().splitlines()


def test_next_says_why_where_windows_pointed_elsewhere():
    assert _why_elsewhere(asked_of(UNSURE)) == (
        "Chosen as the load that narrows the edges most for its kiln time. "
        "For a recipe alone firelab windows said: fire another load near 1395 degF."
    )
    assert _why_elsewhere(asked_of(WINDOW)) == (
        "Chosen as the load that narrows the edges most for its kiln time."
    )
