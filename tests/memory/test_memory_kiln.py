"""The kiln over time: published charts, a step that is found, told and corrected."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from typer.testing import CliRunner

from firelab.charts.kiln_chart import draw_kiln_chart
from firelab.cli.app import app
from firelab.memory.kiln_offsets import SessionOffset
from firelab.memory.kiln_watch import (
    KilnHistory,
    enter_correction,
    ewma_chart,
    explain_change,
    individuals_chart,
    sure_change,
    watch_kiln,
)
from firelab.memory.studio import read_studio
from firelab.memory.windows_today import windows_today
from firelab.plan.plan_files import read_plan
from firelab.series.declared_parts import Expectation
from firelab.series.folder import json_text
from firelab.series.series_file import read_series
from firelab.windows.simulation.expected_kiln import draw_expected_kiln, invent_records

runner = CliRunner()


def test_the_individuals_chart_is_the_handbooks():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2."""
    data = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = individuals_chart(data)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert (chart.lower, chart.upper) == pytest.approx((45.8159, 55.8041), abs=1e-4)
    assert chart.outside == ()


def test_the_moving_average_is_the_handbooks():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4."""
    data = [
        *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
        *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
    ]
    told = [
        *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
        *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
    ]
    chart = ewma_chart(data, start=50.0, sd=2.0539)
    assert chart.points == pytest.approx(told, abs=0.0051)
    assert (chart.lower, chart.upper) == pytest.approx((47.4115, 52.5884), abs=1e-3)


def test_a_step_and_a_drift_without_error_are_found_where_they_are():
    times = np.arange(12.0)
    step = explain_change(np.where(times >= 7, 9.0, 1.0), np.ones(12), times)
    assert (step.kind, step.place) == ("step", 7)
    assert step.size == pytest.approx(8.0)
    drift = explain_change(np.clip(times - 4, 0, None), np.ones(12), times)
    assert (drift.kind, drift.place) == ("drift", 4)
    assert drift.size == pytest.approx(7.0)
    # Of two means, each of six values with error 1: sqrt(1/6 + 1/6).
    half = explain_change(np.where(times >= 6, 5.0, 0.0), np.ones(12), times)
    assert half.error == pytest.approx(np.sqrt(1 / 3))


def sessions_of(offsets):
    return [
        SessionOffset(
            day=date(2026, 1, 1) + timedelta(days=7 * place), series="jar", session=1,
            kiln="kiln", n_tiles=4, offset_degC=one, sd_degC=6.0,
            lower_degC=one - 10, upper_degC=one + 10,
        )
        for place, one in enumerate(offsets)
    ]  # fmt: skip


def test_chance_is_not_told_as_a_change():
    rng = np.random.default_rng(4)
    # Means of posteriors scatter by sd sqrt(1 - sd^2/15^2) about 0, and days by 4.
    spread = np.hypot(6.0 * np.sqrt(0.84), 4.0 * 0.84)
    alarms = [
        sure_change(sessions_of(spread * rng.standard_normal(20))) is not None
        for _ in range(200)
    ]
    # 27 of 1,000 are expected: more than 14 of 200 has a chance below 1 in 1,000.
    assert sum(alarms) <= 14
    assert sure_change(sessions_of([0.0] * 8 + [15.0] * 6)).place == 8
    assert sure_change(sessions_of([0.0, 30.0, 30.0])) is None


def test_a_drift_is_entered_as_it_grew(tmp_path):
    home = tmp_path / "studio"
    runner.invoke(app, ["new", str(home), "--studio"])
    name = read_studio(home).kilns[0].name
    offsets = np.clip(np.arange(14.0) - 3, 0, None) * 6.0
    sessions = [replace(one, kiln=name) for one in sessions_of(offsets)]
    change = sure_change(sessions)
    assert change.kind == "drift"
    history = KilnHistory(
        kiln=name, reads="degF", sessions=tuple(sessions), individuals=None,
        average=None, change=change, left_out=(),
    )  # fmt: skip
    told = enter_correction(home, history)
    assert told.startswith(f"since {sessions[4].day} {name} reads ")
    studio = read_studio(home)
    left = [one.offset_degC + studio.correction_degC(name, one.day) for one in sessions]
    # The prior is taken out of each offset: what is entered is that much larger.
    assert np.max(np.abs(left)) < 0.25 * offsets[-1]
    assert studio.correction_degC(name, sessions[-1].day) == pytest.approx(
        -change.size, abs=0.5
    )
    # Entered again, the later entry of a day holds.
    again = enter_correction(home, replace(history, change=replace(change, size=10.0)))
    assert again != told
    assert read_studio(home).correction_degC(name, sessions[-1].day) == pytest.approx(
        -change.size - 10.0, abs=0.5
    )


@pytest.fixture(scope="module")
def studio(tmp_path_factory):
    """One colour fired on five days, 30 degC hotter than read on the last two."""
    home = tmp_path_factory.mktemp("kiln") / "studio"
    runner.invoke(app, ["new", str(home), "--studio"])
    kiln = None
    days = ("2026-01-10", "2026-02-10", "2026-03-10", "2026-04-10", "2026-05-10")
    for number, day in enumerate(days):
        place = home / f"jar-{number}"
        runner.invoke(app, ["new", str(place), "--from", "quick-look"])
        text = (place / "series.toml").read_text(encoding="utf-8")
        text = text.replace("name of the colour", "heron (invented)")
        text = text.replace("seed = 3301", f"seed = {number}")
        (place / "series.toml").write_text(text, encoding="utf-8")
        runner.invoke(app, ["plan", str(place)])
        series = read_series(place)
        rng = np.random.default_rng(number)
        if kiln is None:
            at = Expectation(low_edge=730.0, high_edge=780.0, at=140.0, uncertainty=0.01)
            kiln = draw_expected_kiln(series, at, rng=rng)
        plan = read_plan(place, series)
        hotter = 30.0 if number >= 3 else 0.0
        moved = plan.tiles.assign(temperature_degC=plan.tiles["temperature_degC"] + hotter)
        looks = invent_records(kiln, plan, rng=rng).looks.assign(
            stage=kiln.simulate(moved, rng=rng)["stage"]
        )
        rows = [
            f"{t},{s},{day}" for t, s in zip(looks["tile"], looks["stage"], strict=True)
        ]
        table = home / "looks.csv"
        table.write_text("tile,stage,fired_at\n" + "\n".join(rows) + "\n", encoding="utf-8")
        ran = runner.invoke(app, ["record", str(table), str(place)])
        assert ran.exit_code in (0, 1), ran.output
    return home


def write_window(place):
    """A windows.json as `firelab windows` writes it, as far as the kiln needs it."""
    recipe = {"temperature_degC": 760.0, "dwell_s": 140.0}
    recipe |= {"tolerance_degC": 8.0, "tolerance_s": 10.0}
    edge = {"dwell_s": 150.0, "low_degC": {"estimate": 740.0}}
    window = {
        "setting": {"mesh": 80, "layers": 1, "base": "none"},
        "recipe": recipe,
        "edges": [{**edge, "high_degC": {"estimate": 780.0}}],
    }
    content = json_text({"target": ["full"], "windows": [window]})
    (place / "windows.json").write_text(content, encoding="utf-8")


def test_a_window_of_a_corrected_kiln_is_told_in_words(tmp_path):
    home = tmp_path / "studio"
    runner.invoke(app, ["new", str(home), "--studio"])
    runner.invoke(app, ["demo", str(home / "heron")])
    log = home / "heron" / "firings.csv"
    log.write_text(log.read_text().replace(",invented,,,", ",invented,2026-02-01,,"))
    for path in (home / "heron").glob("windows*.json"):
        path.unlink()
    write_window(home / "heron")
    text = (home / "studio.toml").read_text(encoding="utf-8")
    entry = '[[corrections]]\nkiln = "kiln"\nsince = 2026-03-01\nreads = "18 degF high"\n'
    (home / "studio.toml").write_text(text + entry, encoding="utf-8")
    (window,), _ = windows_today(home, date(2026, 3, 1))
    assert window.line() == (
        "heron, 80 mesh, 1 coat, on bare metal: set 1420 °F (771 °C) for 2 min 20 s, at "
        "most 12 °F (6 °C) and 10 s off, instead of 1400 °F (760 °C); full from 1382 to "
        "1454 °F (750 to 790 °C) for 2 min 30 s."
    )
    (home / "heron" / "windows.json").write_text('{"target": ["full"]}', encoding="utf-8")
    assert windows_today(home)[1] == ("heron: lacks or misnames 'windows'",)


def test_a_hotter_kiln_is_told_with_its_day_and_corrected(studio):
    found = watch_kiln(studio)
    assert [one.series for one in found.sessions] == [f"jar-{n}" for n in range(1, 5)]
    assert found.change.kind == "step"
    assert found.since == date(2026, 4, 10)
    assert found.change.size == pytest.approx(30.0, abs=20.0)
    assert "hotter than it reads since 2026-04-10: a step." in found.summary()
    assert found.to_dict()["since"] == "2026-04-10"
    assert len(draw_kiln_chart(found).axes) >= 1
    write_window(studio / "jar-0")
    (window,), _ = windows_today(studio, date(2026, 6, 1))
    assert (window.moved_degC, window.recipe.temperature_degC) == (0.0, 760.0)
    ran = runner.invoke(app, ["kiln", str(studio), "--correct"])
    assert ran.exit_code == 0, ran.output
    (correction,) = read_studio(studio).corrections
    assert correction.since == date(2026, 4, 10)
    assert correction.reads == pytest.approx(-found.change.size, abs=0.5)
    (window,), left_out = windows_today(studio, date(2026, 6, 1))
    assert left_out == ()
    assert window.moved_degC == correction.reads
    low, high = window.edges[0].low_degC, window.edges[0].high_degC
    assert (low, high) == (740.0 + correction.reads, 780.0 + correction.reads)
    # The kiln is set in steps of 5 degF, so that at most 2.5 degF are lost.
    assert window.recipe.temperature_degC == pytest.approx(760 + correction.reads, abs=1.4)
    assert 6.6 <= window.recipe.tolerance_degC <= 8.0
    assert window.line() in ran.stdout
    (before,), _ = windows_today(studio, date(2026, 4, 9))
    assert before.moved_degC == 0.0
    again = watch_kiln(studio)
    assert again.change is None, again.summary()


def test_a_studio_without_known_colours_says_what_to_do(tmp_path):
    runner.invoke(app, ["new", str(tmp_path / "bare"), "--studio"])
    ran = runner.invoke(app, ["kiln", str(tmp_path / "bare")])
    assert ran.exit_code == 3
    assert "let a control tile ride in every session" in ran.stderr
