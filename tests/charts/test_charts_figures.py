"""Figures: drawn for every design, units on every axis, same bytes twice, large text."""

from __future__ import annotations

import re
from dataclasses import replace

import matplotlib.text
import numpy as np
import pytest
from matplotlib import pyplot

from firelab.charts.edge_plot import draw_edge_plot, write_interval
from firelab.charts.figure_files import figure_bytes, save_figure
from firelab.charts.stage_curves import draw_stage_curves, grade_chances
from firelab.charts.window_map import describe_window_map, draw_window_map
from firelab.series.designs import design_names
from firelab.series.folder import INVENTED
from firelab.windows.window import EdgeInterval

SMALLEST_PT = 9.0


def drawn(example, kind):
    window = example.windows.windows[0]
    if kind == "map":
        return draw_window_map(example.windows, window, example.records)
    if kind == "edges":
        return draw_edge_plot(example.windows, invented=example.series.invented)
    terms = example.series.varied
    return draw_stage_curves(example.draws, terms, example.records, window.setting)


KINDS = ("map", "edges", "stages")


@pytest.mark.parametrize("design", design_names())
@pytest.mark.parametrize("kind", KINDS)
def test_every_design_has_its_figures_with_units_and_large_text(example, design, kind):
    figure = drawn(example(design), kind)
    figure.draw_without_rendering()
    shown = [
        text
        for text in figure.findobj(matplotlib.text.Text)
        if text.get_visible() and text.get_text().strip()
    ]
    assert min(text.get_fontsize() for text in shown) >= SMALLEST_PT
    words = {text.get_text() for text in shown}
    assert {"temperature (°C)", "temperature (°F)"} <= words
    assert any(re.search(r"\(min:s\)|min:s", word) for word in words)
    assert any(INVENTED in word for word in words)


@pytest.mark.parametrize("kind", KINDS)
def test_the_degF_axis_agrees_with_the_degC_axis(example, kind):
    """Fixed points of the Fahrenheit scale: 0 degC is 32 degF, 100 degC is 212 degF."""
    figure = drawn(example("opaque-window"), kind)
    figure.draw_without_rendering()
    for axes in figure.axes:
        for top in axes.child_axes:
            ends = np.array(axes.get_xlim())
            expected = 32 + (212 - 32) * ends / 100
            np.testing.assert_allclose(top.get_xlim(), expected, rtol=1e-12)
            break
    assert any(axes.child_axes for axes in figure.axes)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("form", ["png", "svg"])
def test_the_same_values_give_the_same_bytes(example, kind, form):
    first, second = (drawn(example("quick-look"), kind) for _ in range(2))
    raw = figure_bytes(first, form)
    assert raw == figure_bytes(second, form)
    assert raw == figure_bytes(first, form)


def test_files_carry_no_date_and_drawing_leaves_no_global_figure(example, tmp_path):
    before = pyplot.get_fignums()
    png, svg = save_figure(drawn(example("quick-look"), "map"), tmp_path / "f" / "map")
    assert pyplot.get_fignums() == before
    assert png.read_bytes().startswith(b"\x89PNG")
    text = svg.read_text(encoding="utf-8")
    assert "<dc:date>" not in text
    assert not re.search(r"20\d\d-\d\d-\d\d", text)
    assert b"tIME" not in png.read_bytes()


def test_text_of_a_figure_does_not_overlap(example):
    for design in design_names():
        for kind in KINDS:
            figure = drawn(example(design), kind)
            figure.canvas.draw()
            boxes = [
                (text.get_text(), text.get_window_extent())
                for text in figure.findobj(matplotlib.text.Text)
                if text.get_visible() and text.get_text().strip()
            ]
            inside = figure.bbox.padded(1)
            for place, (word, box) in enumerate(boxes):
                if box.width * box.height == 0 or not _is_shown(box, inside):
                    continue
                for other, second in boxes[place + 1 :]:
                    if _is_shown(second, inside):
                        assert not _cross(box, second), (design, kind, word, other)


def _is_shown(box, inside):
    return box.x0 >= inside.x0 and box.y0 >= inside.y0 and box.x1 <= inside.x1


def _cross(a, b):
    gap = 1.0
    return (
        a.x0 + gap < b.x1 and b.x0 + gap < a.x1 and a.y0 + gap < b.y1 and b.y0 + gap < a.y1
    )


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
    table = grade_chances(one.draws, one.series.varied, one.records, setting, 120.0)
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
        "outside the fired range, from 800 degC (1472 degF) to beyond what was fired"
    )
