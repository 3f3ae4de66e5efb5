"""A look that is asked back counts as it is written until it is corrected."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "analyses" / "working_kiln"))

from kiln_records import as_records, fire_plan, window_plan, window_series
from working_kiln import open_kiln

from firelab import firing_windows, fit_stage


@pytest.fixture(scope="module")
def slipped():
    """A colour with a recipe, one of its tiles written otherwise, and that tile."""
    kiln, series, plan = open_kiln("physics", 1001), window_series(), window_plan(1)
    looks = fire_plan(kiln, plan)
    honest = as_records(series, plan, looks)
    hottest = looks.sort_values(["temperature_degC", "dwell_s"]).index[-1]
    assert looks["stage"][hottest] == "over"
    wrong = as_records(series, plan, looks.assign(stage=_sugar(looks, hottest)))
    return fit_stage(honest), fit_stage(wrong), looks["tile"][hottest]


def _sugar(looks, row):
    stage = looks["stage"].astype(str)
    stage[row] = "sugar"
    return stage


def test_a_recipe_waits_for_the_look_that_is_asked_back(slipped):
    honest, wrong, tile = slipped
    assert [one["tile"] for one in wrong.unlikely] == [tile]
    assert honest.with_every_look is None
    told, asked_back = firing_windows(honest), firing_windows(wrong)
    assert told.windows[0].recipe is not None
    assert asked_back.windows[0].recipe is None
    assert asked_back.windows[0].reason_code == "look-again"
    assert asked_back.windows[0].reason == (
        f"With the look at tile {tile} as written no firing is sure enough "
        "(sugar where over was expected)."
    )
    assert asked_back.windows[0].settle == (
        f"look again at tile {tile}, then firelab record with --correct, or with "
        "--confirm if it is so",
    )
    (note,) = [note for note in asked_back.notes if tile in note]
    assert note.startswith(f"the look at tile {tile} may be wrong: ")
    assert not [note for note in told.notes if "may be wrong" in note]


def test_edges_are_those_of_the_fit_that_doubts_it(slipped):
    _, wrong, _ = slipped
    sure = firing_windows(replace(wrong, with_every_look=None))
    assert firing_windows(wrong).windows[0].edges == sure.windows[0].edges


def test_the_fit_of_every_look_has_no_slip_there_and_keeps_what_was_asked(slipped):
    _, wrong, _ = slipped
    again = wrong.with_every_look()
    # The tile is scatter then: each grade is passed over a wider range.
    assert again.slip_of_look[np.argmax(wrong.slip_of_look)] < 1e-4
    steep = [np.median(one.draws.coefficients[:, 0]) for one in (wrong, again)]
    assert steep[1] < 0.8 * steep[0]
    here = replace(wrong.series, window=replace(wrong.series.window, place=2))
    promised = replace(wrong, series=here).of_promise
    assert promised.series.window.place == 2
    assert not promised.draws.place_sd.any()
