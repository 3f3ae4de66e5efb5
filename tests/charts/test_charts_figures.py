"""Figures: drawn for every design, units on every axis, same bytes twice, large text."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import matplotlib.text
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot
from matplotlib.axes import Axes
from matplotlib.axis import Axis

from firelab.charts.clarity_plot import draw_clarity_plot
from firelab.charts.edge_plot import draw_edge_plot, write_interval
from firelab.charts.plan_chart import draw_plan_chart
from firelab.charts.probability_map import describe_window_map, draw_window_map
from firelab.charts.stage_curves import draw_stage_curves, grade_chances
from firelab.charts.style import DARK_FORM, figure_bytes, save_figure, write_figure
from firelab.charts.tile_count import draw_tile_count
from firelab.fits.stage import fit_stage
from firelab.series.folder import INVENTED
from firelab.series.series_file import design_names
from firelab.windows.firing_windows import firing_windows
from firelab.windows.setting_window import EdgeInterval

SMALLEST_PT = 9.0


def drawn(example, kind):
    window = example.windows.windows[0]
    if kind == "map":
        return draw_window_map(example.windows, window, example.records)
    if kind == "edges":
        return draw_edge_plot(example.windows, invented=example.series.invented)
    if kind == "plan":
        return draw_plan_chart(example.series, example.plan)
    if kind == "clearness":
        return draw_clarity_plot(example.clarity, example.records)
    if kind == "tile count":
        return draw_tile_count(COUNTS, invented=True)
    fit = example.fit
    return draw_stage_curves(fit.draws, fit.terms, example.records, window.setting)


UNITS = {
    "map": ("temperature (°C)", "temperature (°F)", "dwell (min:s)", "probability"),
    "edges": ("temperature (°C)", "temperature (°F)", "dwell (min:s)"),
    "stages": ("temperature (°C)", "temperature (°F)", "min:s", "probability"),
    "plan": ("temperature (°C)", "temperature (°F)", "dwell (min:s)", "load"),
    "clearness": ("temperature (°C)", "temperature (°F)", "score", "dwell"),
    "tile count": ("(°C)", "(°F)", "tiles", "chance"),
}
KINDS = ("map", "edges", "stages", "plan", "tile count")
SCORED = ("base-coats", "clear-transparent")
WITH_TILES = [name for name in design_names() if name != "tile-by-tile"]
ALL = [(design, kind) for design in WITH_TILES for kind in KINDS] + [
    (design, "clearness") for design in SCORED
]
COUNTS = pd.DataFrame(
    {
        "kind": ["factorial"] * 3 + ["optimal"] * 3,
        "tiles": [12, 24, 36] * 2,
        "width_degC": [31.0, 22.5, 18.0, 27.0, 19.0, 15.5],
        "chance": [0.2, 0.55, 0.8, 0.3, 0.7, 0.9],
    }
)


@pytest.mark.parametrize(("design", "kind"), ALL)
def test_every_design_has_its_figures_with_units_in_large_text(example, design, kind):
    figure = drawn(example(design), kind)
    figure.canvas.draw()
    shown = shown_texts(figure)
    assert min(text.get_fontsize() for text in shown) >= SMALLEST_PT
    words = " / ".join(text.get_text() for text in shown)
    for unit in UNITS[kind]:
        assert unit in words
    assert INVENTED in words
    boxes = [(text.get_text(), text.get_window_extent()) for text in shown]
    page = figure.bbox.padded(1)
    assert [word for word, box in boxes if not inside(page, box)] == []
    for (word, box), (other, second) in itertools.combinations(boxes, 2):
        assert not cross(box, second), (word, other)


def shown_texts(figure):
    """Texts that are drawn: not those of ticks outside the view."""
    hidden = set()
    for one in figure.findobj(Axis):
        low, high = sorted(one.get_view_interval())
        for tick in one.get_major_ticks():
            if not low <= tick.get_loc() <= high:
                hidden |= {tick.label1, tick.label2}
    off = {axes for axes in figure.findobj(Axes) if not axes.get_visible()}
    hidden |= {text for axes in off for text in axes.findobj(matplotlib.text.Text)}
    return [
        text
        for text in figure.findobj(matplotlib.text.Text)
        if text.get_visible() and text.get_text().strip() and text not in hidden
    ]


def inside(page, box):
    return (
        box.x0 >= page.x0 and box.y0 >= page.y0 and box.x1 <= page.x1 and box.y1 <= page.y1
    )


def cross(a, b, gap=1.0):
    return (
        a.x0 + gap < b.x1 and b.x0 + gap < a.x1 and a.y0 + gap < b.y1 and b.y0 + gap < a.y1
    )


@pytest.mark.parametrize("kind", ["map", "edges", "stages", "plan", "clearness"])
def test_the_unit_of_the_kiln_comes_first_and_the_other_agrees_with_it(example, kind):
    """Fixed points of the Fahrenheit scale: 0 degC is 32 degF, 100 degC is 212 degF."""
    figure = drawn(example("base-coats"), kind)
    figure.draw_without_rendering()
    compared = 0
    for axes in figure.axes:
        for second in axes.child_axes:
            at_top = second.get_xlabel() == "temperature (°C)"
            first = axes.xaxis if at_top else axes.yaxis
            if at_top and axes.get_xlabel():
                assert axes.get_xlabel() == "temperature (°F)"
            for at in first.get_ticklocs():
                degF = 32 + (212 - 32) * at / 100
                written = float(first.get_major_formatter()(at, 0))
                assert written == pytest.approx(degF, abs=1e-9)
                compared += 1
            ends = axes.get_xlim() if at_top else axes.get_ylim()
            shown = second.get_xlim() if at_top else second.get_ylim()
            np.testing.assert_allclose(shown, ends, rtol=1e-12)
    assert compared >= 3


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_values_give_the_same_bytes(example, kind):
    first, second = (drawn(example("quick-look"), kind) for _ in range(2))
    for form in ("png", "svg"):
        raw = figure_bytes(first, form)
        assert raw == figure_bytes(second, form)
        assert raw == figure_bytes(first, form)


SAME_ON_BOTH = {"#ffe27a", "#f2c14e", "#e8a33d", "#d98c2b"}
"""Yellows of the star and of grades below the target: they stand out on either ground."""


@pytest.mark.parametrize("kind", KINDS)
def test_every_colour_of_a_figure_has_a_dark_form(example, kind):
    svg = figure_bytes(drawn(example("quick-look"), kind), "svg").decode()
    used = set(re.findall(r"#[0-9a-f]{6}\b", svg)) - SAME_ON_BOTH
    assert used <= set(DARK_FORM)


def test_files_carry_no_date_and_drawing_leaves_no_global_figure(example, tmp_path):
    before = pyplot.get_fignums()
    png, svg = save_figure(drawn(example("quick-look"), "map"), tmp_path / "f" / "map")
    assert pyplot.get_fignums() == before
    assert png.read_bytes().startswith(b"\x89PNG")
    text = svg.read_text(encoding="utf-8")
    assert "<dc:date>" not in text
    assert not re.search(r"20\d\d-\d\d-\d\d", text)
    assert b"tIME" not in png.read_bytes()


@pytest.mark.parametrize("name", ["map.png", "map.SVG", "map", "lot 1.5"])
def test_an_ending_that_was_typed_is_not_doubled(tmp_path, name):
    written = write_figure({"png": b"p", "svg": b"s"}, tmp_path / name)
    stem = name if name == "lot 1.5" else "map"
    assert [path.name for path in written] == [f"{stem}.png", f"{stem}.svg"]


def test_nothing_is_coloured_beyond_the_fired_range(example):
    one = example("opaque-window")
    window = one.windows.windows[0]
    figure = drawn(one, "map")
    axes = figure.axes[0]
    low, high = window.map.temperature_degC[[0, -1]]
    assert axes.get_xlim()[0] < low < high < axes.get_xlim()[1]
    for region in axes.collections:
        extent = region.get_datalim(axes.transData)
        if np.isfinite(extent.x0) and extent.width > 0:
            assert extent.x0 >= low - 1e-9
            assert extent.x1 <= high + 1e-9


def test_chances_of_all_grades_add_to_one(example):
    one = example("base-coats")
    setting = one.windows.windows[0].setting
    table = grade_chances(one.fit.draws, one.fit.terms, one.records, setting, 120.0)
    totals = table.groupby("temperature_degC")["probability"].sum()
    np.testing.assert_allclose(totals, 1.0, atol=1e-12)


def test_a_window_without_a_recipe_says_so_in_map_and_words(example):
    one = example("opaque-window")
    window = replace(one.windows.windows[0], recipe=None, reason="flat", reason_code="flat")
    figure = draw_window_map(one.windows, window, one.records)
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert any("not assured" in label for label in labels)
    assert not any(label.startswith("recipe") for label in labels)
    assert "no assured recipe" in describe_window_map(one.windows, window)


def test_a_setting_at_which_no_tile_was_fired_has_a_map_without_tiles(example):
    one = example("opaque-window")
    bare = one.windows.windows[0]
    window = replace(bare, setting={**bare.setting, "layers": 3})
    drawn_with, drawn_without = (
        draw_window_map(one.windows, each, one.records).axes[0] for each in (bare, window)
    )
    grades = 4
    assert len(drawn_with.lines) >= len(drawn_without.lines) + grades - 1


def test_an_edge_outside_the_fired_range_is_said_not_drawn(example):
    one = example("opaque-window")
    window = one.windows.windows[0]
    gone = EdgeInterval(
        estimate=None, lower=None, upper=None, reason="below the fired range"
    )
    half = EdgeInterval(estimate=None, lower=800.0, upper=None)
    edges = (
        replace(window.edges[0], low_degC=gone),
        replace(window.edges[1], high_degC=half),
    )
    open_window = replace(window, edges=edges)
    windows = replace(one.windows, windows=(open_window,))
    figure = draw_edge_plot(windows)
    words = [text.get_text() for text in figure.axes[0].texts]
    assert words == ["low edge below the fired range"]
    span = window.map.temperature_degC[[0, -1]]
    for line in figure.axes[0].lines:
        assert np.all(line.get_xdata() >= span[0])
        assert np.all(line.get_xdata() <= span[1])
    assert write_interval(half) == (
        "outside the fired range, from 1472 °F (800 °C) to beyond what was fired"
    )


def test_the_width_in_degF_is_a_difference_without_a_zero_point():
    """1 degC of difference is 9/5 degF of difference: 10 degC wide is 18 degF wide."""
    for reads, share in (("degC", 9 / 5), ("degF", 5 / 9)):
        figure = draw_tile_count(COUNTS, reads=reads)
        figure.draw_without_rendering()
        width = figure.axes[0]
        (side,) = width.child_axes
        np.testing.assert_allclose(side.get_ylim(), np.array(width.get_ylim()) * share)


def test_the_plan_chart_counts_every_tile_once(example):
    one = example("clear-transparent")
    figure = drawn(one, "plan")
    counted = {True: [], False: []}
    for axes in figure.axes:
        is_loads = axes.get_xlabel().startswith("load")
        numbers = [text.get_text() for text in axes.texts]
        counted[is_loads] += [int(number) for number in numbers if number.isdigit()]
    in_loads, in_places = counted[True], counted[False]
    assert sum(in_places) == sum(in_loads) == one.plan.n_tiles
    assert len(in_loads) == one.plan.tiles["load"].nunique()


@pytest.mark.parametrize(
    ("single", "fired"), [("temperature_degC", 760.0), ("dwell_s", 135.0)]
)
def test_one_fired_temperature_or_dwell_is_drawn_as_a_strip(example, single, fired):
    one = example("opaque-window")
    looks = one.records.table
    records = replace(one.records, looks=looks[looks[single] == fired])
    windows = firing_windows(fit_stage(records))
    axes = draw_window_map(windows, windows.windows[0], records).axes[0]
    strip = axes.collections[0].get_datalim(axes.transData)
    ends = {"temperature_degC": (strip.x0, strip.x1), "dwell_s": (strip.y0, strip.y1)}
    low, high = ends[single]
    assert low < fired < high
    assert high / low < 1.05
