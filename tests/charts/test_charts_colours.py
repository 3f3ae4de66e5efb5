"""Colours: contrast by the formula of WCAG 2.2, lightness readable in grey.

Source of formula and limits: Web Content Accessibility Guidelines 2.2 (W3C
Recommendation), "relative luminance", "contrast ratio", success criteria 1.4.3
(text 4.5:1), 1.4.6 (text 7:1) and 1.4.11 (graphics 3:1).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from firelab.charts import style
from firelab.charts.style import DARK_FORM, DARK_PROBABILITY, both_forms
from firelab.craft.trade_words import STAGES


def luminance(colour):
    channels = np.array(to_rgb(colour))
    linear = np.where(
        channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4
    )
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_published_extremes():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("ground", [style.PAPER, style.UNFIRED])
def test_text_and_edges_stand_out(ground):
    assert contrast(style.INK, ground) >= 7.0
    assert contrast(style.QUIET, style.PAPER) >= 7.0
    assert contrast(style.LOW_EDGE, ground) >= 4.5
    assert contrast(style.HIGH_EDGE, ground) >= 4.5


def test_lightness_of_the_map_falls_all_the_way_so_grey_reads_it():
    steps = [luminance(style.PROBABILITY_COLOURS(p)) for p in np.linspace(0, 1, 101)]
    assert np.all(np.diff(steps) < 0)
    bands = [luminance(style.PROBABILITY_COLOURS(p)) for p in np.arange(0.05, 1, 0.1)]
    ratios = [(a + 0.05) / (b + 0.05) for a, b in itertools.pairwise(bands)]
    assert min(ratios) > 1.1


def test_the_outline_of_marks_stands_out_on_every_band():
    """A mark has an ink outline inside a paper halo, so one of the two shows."""
    for probability in np.linspace(0, 1, 21):
        ground = style.PROBABILITY_COLOURS(probability)
        assert max(contrast(style.INK, ground), contrast(style.PAPER, ground)) >= 3.0


@pytest.mark.parametrize("target", [("full",), ("sugar",), ("orange peel", "full")])
def test_each_grade_has_a_marker_of_its_own(target):
    marks = style.grade_marks(STAGES, target)
    assert len({mark.marker for mark in marks.values()}) == len(STAGES)


DARK_PAPER, DARK_INK = DARK_FORM[style.PAPER], DARK_FORM[style.INK]


@pytest.mark.parametrize("ground", [style.PAPER, style.UNFIRED])
def test_text_and_edges_stand_out_on_a_dark_ground(ground):
    assert contrast(DARK_INK, DARK_FORM[ground]) >= 7.0
    assert contrast(DARK_FORM[style.QUIET], DARK_PAPER) >= 7.0
    assert contrast(DARK_FORM[style.LOW_EDGE], DARK_FORM[ground]) >= 4.5
    assert contrast(DARK_FORM[style.HIGH_EDGE], DARK_FORM[ground]) >= 4.5


def test_lightness_of_the_dark_map_rises_all_the_way_and_lines_stand_out_on_it():
    bands = [luminance(DARK_PROBABILITY(p)) for p in np.arange(0.05, 1, 0.1)]
    ratios = [(b + 0.05) / (a + 0.05) for a, b in itertools.pairwise(bands)]
    assert min(ratios) > 1.1
    assert contrast(DARK_INK, DARK_PROBABILITY(0.95)) >= 3.0


@pytest.mark.parametrize(("low", "high"), [("LOW_EDGE", "HIGH_EDGE")])
@pytest.mark.parametrize("form", [{}, DARK_FORM], ids=["light", "dark"])
def test_the_edges_differ_for_who_sees_no_red_or_no_green(low, high, form):
    """Linear RGB as a dichromat sees it: Vienot, Brettel & Mollon 1999, Color Res. Appl.
    24, 243-252 (the matrices for protanopes and deuteranopes, quoted from memory)."""
    colours = [form.get(getattr(style, name), getattr(style, name)) for name in (low, high)]
    linear = [
        np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        for c in (np.array(to_rgb(one)) for one in colours)
    ]
    for red, green in ((0.11238, 0.88762), (0.29275, 0.70725)):
        seen = [(red * r + green * g, b) for r, g, b in linear]
        assert abs(seen[0][1] - seen[1][1]) > 0.1


@pytest.mark.parametrize("target", [("full",), ("orange peel", "full")])
def test_grades_stand_out_from_the_dark_ground(target):
    for mark in style.grade_marks(STAGES, target).values():
        fill = DARK_FORM.get(mark.fill, mark.fill)
        assert fill == DARK_PAPER or contrast(fill, DARK_PAPER) >= 3.0


def test_one_drawing_carries_both_forms():
    light = f'<style>*{{}}</style><g fill="{style.PAPER}" style="stroke: {style.INK}"/>'
    both = both_forms(f"<svg>{light}</svg>".encode()).decode()
    ink, paper = style.INK[1:], style.PAPER[1:]
    assert f'<g fill="var(--{paper})" style="stroke: var(--{ink})"/>' in both
    assert f"--{ink}:{style.INK}" in both
    dark = both[both.index("@media screen and (prefers-color-scheme:dark)") :]
    assert f"--{ink}:{DARK_INK}" in dark
    assert f"--{paper}:{DARK_PAPER}" in dark
