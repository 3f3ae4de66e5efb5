"""Kiln hours and settable values, held to sums done by hand."""

from dataclasses import replace

import pandas as pd
import pytest

from firelab.plan.make_plan import make_plan
from firelab.plan.plan import PlannedPreparation
from firelab.plan.schedule import firing_seconds, kiln_hours
from firelab.series.kiln_settings import settable_dwell, settable_temperature
from firelab.series.series_file import design_path, read_series

SERIES = read_series(design_path("opaque-window"))
BUDGET = replace(SERIES.budget, places=4, change=1200.0, recovery=300.0, cooling=600.0)
TIMED = replace(SERIES, budget=BUDGET)


def loads(*rows):
    return pd.DataFrame(
        rows, columns=["tile", "session", "load", "temperature_degC", "dwell_s"]
    )


def test_a_tile_fired_again_waits_until_it_is_cool():
    apart = loads(("AA", 1, 1, 760.0, 120.0), ("AB", 1, 2, 760.0, 150.0))
    again = apart.assign(tile="AA")
    # Heating up 1200 s once; 120 + 300 s and 150 + 300 s; and 600 s of cooling.
    assert firing_seconds(TIMED, apart) == 1200 + 420 + 450
    assert firing_seconds(TIMED, again) == 1200 + 420 + 450 + 600
    # Another session begins with a cold tile anyway, and with heating up.
    assert firing_seconds(TIMED, again.assign(session=[1, 2])) == 2 * 1200 + 420 + 450


def test_a_fifth_tile_of_a_preparation_needs_a_second_load():
    tiles = tuple(f"A{k}" for k in range(5))
    steps = [
        PlannedPreparation(
            step=1,
            purpose="base",
            coat="base 1",
            face="front",
            temperature_degC=790.0,
            dwell_s=180.0,
            tiles=tiles[:count],
        )
        for count in (4, 5)
    ]
    one, two = (kiln_hours(TIMED, loads(), [step])["base"] for step in steps)
    # A load of 180 + 300 s more; the change of temperature and the cooling once.
    assert one * 3600 == pytest.approx(480 + 1200 + 600, abs=2)
    assert two * 3600 == pytest.approx(2 * 480 + 1200 + 600, abs=2)


def test_the_plan_counts_preparation_in_loads_of_the_kiln():
    plan = make_plan(SERIES)
    # 30 tiles take counter-enamel in one firing; 4 stand on the rack: 7 loads and a half.
    assert "to prepare the tiles: 1 firing, in 8 loads; kiln time" in plan.summary()
    bare = replace(SERIES, preparation=replace(SERIES.preparation, back="bare"))
    assert "to prepare the tiles: no firing; kiln time" in make_plan(bare).summary()


@pytest.mark.parametrize("asked", [-40.0, 0.0, 40.0])
@pytest.mark.parametrize("reads", ["degF", "degC"])
def test_a_settable_value_is_never_outside_the_range(asked, reads):
    kiln = replace(SERIES.kiln, reads=reads, step=7.0)
    series = replace(SERIES, kiln=kiln)
    low, high = series.span("temperature")
    for end in (low, high):
        found = settable_temperature(series, end + asked)
        assert low <= found <= high
        steps = (found * 1.8 + 32 if reads == "degF" else found) / 7.0
        assert steps == pytest.approx(round(steps), abs=0.01)
    short, long = series.span("dwell")
    assert short <= settable_dwell(series, short + asked) <= long
    assert short <= settable_dwell(series, long + asked) <= long
