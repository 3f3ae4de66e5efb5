"""The page's own look: contrast by the formula of WCAG 2.2, no small print.

Source of formula and limits: Web Content Accessibility Guidelines 2.2 (W3C
Recommendation), "contrast ratio" and success criterion 1.4.6 (text 7:1). A CSS
pixel is 1/96 inch and a point 1/72 inch (W3C, CSS Values and Units Level 3).
"""

from __future__ import annotations

import re
from importlib import resources

import pytest

CSS = resources.files("firelab.report").joinpath("page.css").read_text(encoding="utf-8")
SMALLEST_PT = 9.0
ROOT_PX = 16.0
PAIRS = [("ink", "paper"), ("ink", "ground"), ("quiet", "paper"), ("alarm", "alarm-ground")]


def luminance(colour):
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def palettes():
    """The colours: plain, high contrast asked for in two ways, dark (2), and print."""
    found = []
    for block in re.findall(r":root[^{]*\{([^}]*)\}", CSS):
        colours = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block))
        found.append({**(found[0] if found else {}), **colours})
    return found


def test_there_are_a_plain_palette_high_contrast_two_ways_dark_and_print():
    plain, checked, preferred, dark, dark_checked, printed = palettes()
    assert checked == preferred != plain
    assert luminance(dark["paper"]) < luminance(dark["ink"])
    assert dark_checked["paper"] == "#000000"
    assert printed["paper"] == "#ffffff"


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("which", range(6))
def test_words_stand_out(which, pair):
    colours = palettes()[which]
    ratio = contrast(colours[pair[0]], colours[pair[1]])
    assert ratio >= 7.0
    if which in (1, 2, 4, 5) and "ink" in pair:
        assert ratio == pytest.approx(21.0)


def test_every_size_of_print_can_be_read():
    sizes = re.findall(r"font(?:-size)?:\s*(?:clamp\()?([\d.]+)(rem|pt)", CSS)
    assert len(sizes) >= 8
    points = [float(n) * (ROOT_PX * 72 / 96 if unit == "rem" else 1) for n, unit in sizes]
    assert min(points) >= SMALLEST_PT
