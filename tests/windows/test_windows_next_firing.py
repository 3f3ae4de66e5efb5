"""One tile at a time: what is believed, what one more tile adds, and the tiles so far."""

import dataclasses
import itertools
import json

import numpy as np
import pandas as pd
import pytest

from firelab.craft.units import to_degC, to_degF
from firelab.fits.ordinal.stage_posterior import believed_stage, fit_posterior
from firelab.plan.extend import extend_plan
from firelab.plan.make_plan import make_plan
from firelab.plan.plan import rack_places
from firelab.records.firing_log import looks_frame
from firelab.records.records import Records
from firelab.series.series_file import design_path, read_series
from firelab.windows.firing_odds import FiringOdds, firing_odds
from firelab.windows.firing_windows import firing_windows
from firelab.windows.sequential.load_filling import tile_hours
from firelab.windows.sequential.next_firing import next_firing


def a_jar(**changes):
    series = read_series(design_path("quick-look"))
    plan = dataclasses.replace(series.plan, kind="sequential")
    budget = dataclasses.replace(series.budget, places=4, session_loads=4)
    return dataclasses.replace(series, **{"plan": plan, "budget": budget, **changes})


def nothing_fired(series):
    plan = make_plan(series)
    looks = looks_frame((), series, plan)
    return Records(series=series, plan=plan, looks=looks, provenance=plan.provenance)


def fired(records, firings):
    """Return records with single tiles fired and graded: (degF, grade) of each."""
    plan, series = records.plan, records.series
    for degF, _ in firings:
        setting = {"temperature_degC": to_degC(degF), "dwell_s": 135.0, "mesh": 80}
        row = pd.DataFrame([{**setting, "layers": 1, "base": "none", "load": 1}])
        plan = extend_plan(series, plan, row, same_session=True)
    grades = list(series.responses.stage.grades)
    stage = pd.Categorical([g for _, g in firings], categories=grades, ordered=True)
    looks = plan.tiles.assign(look=1, stage=stage, transparency=np.nan)
    looks = looks.assign(observer="", fired_at="", defects="", note="")
    looks = looks.assign(total_dwell_s=looks["dwell_s"])
    return dataclasses.replace(records, plan=plan, looks=looks)


def test_before_any_tile_full_is_believed_where_the_trade_fires():
    # Opaques on copper at 1350 to 1400 degF (common practice, no source).
    records = nothing_fired(a_jar())
    draws = believed_stage(records, n_draws=20_000).draws
    low, high = records.series.span("temperature")
    half, centre = (high - low) / 2, (high + low) / 2
    middle = draws.thresholds[:, 1:].mean(axis=1) / draws.coefficients[:, 0]
    # The dwells of the design have their middle at 137.5 s, 2 % above the usual time.
    degF = to_degF(centre + half * middle)
    error = degF.std() / np.sqrt(degF.size)
    assert degF.mean() == pytest.approx(1375.0, abs=2.0 + 3 * error)
    assert 35.0 < degF.std() < 50.0
    first = next_firing(records)
    assert 1360 <= to_degF(first.now.temperature_degC) <= 1395
    assert first.odds_after > first.odds + 0.05
    assert first.stop is None and first.n_looks == 0


def test_a_stated_middle_takes_the_place_of_what_the_trade_says():
    priors = dataclasses.replace(a_jar().priors, middle=to_degC(1450.0), middle_sd=10.0)
    first = next_firing(nothing_fired(a_jar(priors=priors)))
    assert 1435 <= to_degF(first.now.temperature_degC) <= 1465
    said = believed_stage(nothing_fired(a_jar(priors=priors))).details()
    assert "middle of full at 2 min 15 s: 1450 °F (788 °C) +/- 18 °F (10 °C)" in said


def test_one_look_that_tells_all_is_worth_all():
    # Value of perfect information, by hand: two states, each firing full in one only.
    chances = np.array([[[0.0, 1.0], [1.0, 0.0]], [[1.0, 0.0], [0.0, 1.0]]])
    odds = FiringOdds(
        table=pd.DataFrame(index=[0, 1]),
        chances=chances,
        target=chances[:, :, 1],
        slip=np.zeros(2),
    )
    assert odds.now.tolist() == [0.5, 0.5]
    assert odds.after(np.array([0, 1])).tolist() == [1.0, 1.0]
    assert odds.known == 1.0
    # A look that is a slip in 2 of 10, of two grades alike, is wrong in 1 of 10.
    slips = dataclasses.replace(odds, slip=np.array([0.2, 0.2]))
    assert slips.after(np.array([0])) == pytest.approx([0.9])


def test_several_looks_tell_where_one_cannot():
    # By hand: two states, 3 to 1; a look is right in 7 of 10. One look against the belief
    # leaves 9 to 7, so that it changes no choice; two leave 27 to 49. Both come up against
    # it with chance .75 x .09 + .25 x .49 = .19, of which .1225 are right.
    right = np.array([[0.3, 0.7], [0.7, 0.3]])
    states = np.array([0, 0, 0, 1])
    odds = FiringOdds(
        table=pd.DataFrame(index=[0, 1]),
        chances=np.stack([right[states], right[states]], axis=1),
        target=np.array([[1.0, 0.0], [0.0, 1.0]])[states],
        slip=np.zeros(4),
    )
    assert odds.after(np.array([0])) == pytest.approx([0.75])
    assert odds.after(np.array([0]), 2) == pytest.approx([0.75 - 0.0675 + 0.1225])


def test_a_change_of_temperature_costs_what_the_budget_says():
    series = a_jar()
    records = fired(nothing_fired(series), [(1375, "full")])
    odds = firing_odds(fit_posterior(records))
    everywhere = np.ones(len(odds.table), dtype=bool)
    hours = tile_hours(series, records.plan, odds.table, everywhere)
    there = np.isclose(odds.table["temperature_degC"], to_degC(1375), atol=0.02)
    usual = there & (odds.table["dwell_s"] == 135.0).to_numpy()
    same_dwell = ~there & (odds.table["dwell_s"] == 135.0).to_numpy()
    saved = hours[same_dwell].min() - hours[usual].max()
    assert saved == pytest.approx(series.budget.change / 3600.0, abs=0.002)
    nowhere = tile_hours(series, records.plan, odds.table, ~everywhere)
    assert nowhere[usual] == pytest.approx(hours[same_dwell].min(), abs=0.002)
    # After a full tile a kiln that is slow to change stays; after sugar nobody fires the
    # same again, but hotter or, which changes no temperature, longer.
    slow = a_jar(budget=dataclasses.replace(series.budget, change=3600.0))
    assert next_firing(
        fired(nothing_fired(slow), [(1375, "full")])
    ).firing.temperature_degC == pytest.approx(to_degC(1375), abs=0.02)
    sugar = next_firing(fired(nothing_fired(series), [(1375, "sugar")])).firing
    assert sugar.temperature_degC > to_degC(1376) or sugar.dwell_s > 135.0


def test_windows_name_the_firing_that_next_names():
    looks = [(1375, "full"), (1345, "orange peel"), (1420, "over"), (1375, "full")]
    records = fired(nothing_fired(a_jar()), looks)
    fit = fit_posterior(records)
    chosen, windows = next_firing(records), firing_windows(fit)
    likeliest = windows.windows[0].likeliest
    assert chosen.now.temperature_degC == likeliest.temperature_degC
    assert chosen.now.dwell_s == likeliest.dwell_s
    assert chosen.odds == likeliest.probability
    assert next_firing(records, fit=fit).firing == chosen.firing
    assert any("must be 85% sure" in note for note in windows.notes)
    assert windows.confidence == records.series.window.confidence == 0.7


def test_what_a_look_adds_is_what_conditioning_on_it_gives():
    # Bayes' rule grade by grade, against the sum over grades.
    odds = firing_odds(believed_stage(nothing_fired(a_jar())))
    n = len(odds.table)
    for row in (0, n // 3, n // 2):
        by_grade = odds.chances[:, row].copy()
        by_grade *= 1.0 - odds.slip[:, None]
        by_grade += odds.slip[:, None] / 4
        expected = 0.0
        for grade in range(4):
            weight = by_grade[:, grade] / by_grade[:, grade].sum()
            expected += by_grade[:, grade].mean() * (weight @ odds.target).max()
        assert odds.after(np.array([row]))[0] == pytest.approx(expected, rel=1e-12)
        assert expected >= odds.now.max() - 1e-12


def test_tiles_move_the_next_firing_and_come_back_when_taken_back():
    records = nothing_fired(a_jar())
    start = next_firing(records)
    sugar = next_firing(fired(records, [(1375, "sugar")]))
    over = next_firing(fired(records, [(1375, "over")]))
    order = [one.firing.temperature_degC for one in (over, start, sugar)]
    assert order == sorted(order) and order[0] < order[1] < order[2]
    # Two or three tiles though one was asked, and elsewhere, are looks like any other.
    three = fired(records, [(1350, "orange peel"), (1350, "orange peel"), (1440, "full")])
    assert next_firing(three).n_looks == 3
    back = dataclasses.replace(three, looks=three.looks.iloc[:0], plan=records.plan)
    again = next_firing(back)
    assert again.firing == start.firing and again.odds == start.odds


@pytest.mark.parametrize("off_degF", [-60, 60])
def test_a_colour_sixty_degrees_off_is_found_by_the_fifth_tile(off_degF):
    # A tile grades as its distance from the middle says, full 75 degF wide, no scatter.
    records, middle, seen = nothing_fired(a_jar()), 1375 + off_degF, []
    for _ in range(5):
        chosen = next_firing(fired(records, seen) if seen else records)
        degF = round(to_degF(chosen.firing.temperature_degC))
        ends = (middle - 82.5, middle - 37.5, middle + 37.5)
        grade = ("sugar", "orange peel", "full", "over")[int(np.searchsorted(ends, degF))]
        seen.append((degF, grade))
    now = next_firing(fired(records, seen)).now
    assert abs(to_degF(now.temperature_degC) - middle) < 25


def test_it_stops_when_a_tile_adds_too_little_and_says_what_it_adds():
    records = fired(nothing_fired(a_jar()), [(1375, "full")] * 8 + [(1440, "over")])
    chosen = next_firing(records)
    assert chosen.more_tiles == 4 and chosen.stop_code == "no-gain"
    assert chosen.odds_after_more - chosen.odds < 0.02
    assert chosen.stop.startswith("4 more tiles would add less than 1 in 50; ")
    assert chosen.odds <= chosen.odds_after <= chosen.odds_after_more
    assert chosen.odds_after_more <= chosen.odds_known < 1.0
    assert "If you go on, fire 1 tile: " in chosen.summary()
    window = dataclasses.replace(records.series.window, least_gain=0.0)
    series = dataclasses.replace(records.series, window=window)
    on = next_firing(dataclasses.replace(records, series=series))
    assert on.stop is None and on.firing == chosen.firing


def test_it_stops_when_the_blanks_are_spent():
    series = a_jar()
    series = dataclasses.replace(
        series, budget=dataclasses.replace(series.budget, blanks=1)
    )
    spent = next_firing(fired(nothing_fired(series), [(1375, "sugar")]))
    assert spent.stop_code == "spent" and spent.firing is None
    assert "blanks" in spent.stop and spent.now is not None
    assert spent.table.empty


def test_places_take_turns_and_a_day_holds_four_loads():
    records = nothing_fired(a_jar())
    chosen, plan = next_firing(records), records.plan
    for k, place in enumerate((1, 2, 3, 4, 1, 2)):
        now = dataclasses.replace(records, plan=plan)
        assert next_firing(now, fit=believed_stage(records)).rack_places == (place,)
        plan = extend_plan(records.series, plan, chosen.table, same_session=True)
        assert len(plan.tiles) == k + 1
    assert plan.tiles["session"].tolist() == [1, 1, 1, 1, 2, 2]
    assert plan.tiles["load"].tolist() == [1, 2, 3, 4, 5, 6]
    assert plan.tiles["tile"].is_unique
    now = dataclasses.replace(records, plan=plan)
    both = next_firing(now, fit=believed_stage(records), places=2)
    assert both.rack_places == (3, 4)
    longer = extend_plan(records.series, plan, both.table, same_session=True)
    assert longer.tiles["load"].tolist()[-2:] == [7, 7]
    assert [rack_places(longer)[(tile, 7)] for tile in longer.tiles["tile"][-2:]] == [3, 4]


def test_the_value_travels_as_json_with_a_curve_of_grades():
    records = fired(nothing_fired(a_jar()), [(1375, "full"), (1350, "orange peel")])
    chosen = next_firing(records)
    content = json.loads(json.dumps(chosen.to_dict()))
    curve = content["belief"]
    total = np.sum([curve["probability"][g] for g in ("sugar", "orange peel", "full")], 0)
    assert total + np.array(curve["probability"]["over"]) == pytest.approx(1.0, abs=2e-4)
    assert curve["temperature_degC"] == sorted(curve["temperature_degC"])
    best = curve["temperature_degC"].index(content["now"]["temperature_degC"])
    assert curve["probability"]["full"][best] == pytest.approx(content["odds"], abs=1e-4)
    assert [one["grade"] for one in curve["tiles"]] == ["full", "orange peel"]
    assert all(a >= b for a, b in itertools.pairwise(curve["probability"]["sugar"]))
    head = chosen.summary().splitlines()[0]
    assert head.startswith("Likeliest now: ") and "°F (" in head
