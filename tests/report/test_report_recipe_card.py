"""The recipe card says what the windows say on each of its pages, read back by PDFium."""

from __future__ import annotations

import importlib.util
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest

from firelab.craft.cautions import CAUTIONS, DEFERENCE
from firelab.report.recipe_card import CARE, recipe_card
from firelab.series.folder import INVENTED, Provenance
from firelab.series.series_file import design_path, read_series
from firelab.windows.setting_window import (
    DwellEdges,
    EdgeInterval,
    Edges,
    ProbabilityMap,
    Recipe,
    SettingWindow,
)
from firelab.windows.window import FiringWindows

SERIES = read_series(design_path("clear-transparent"))
EDGE = EdgeInterval(estimate=760.0, lower=755.0, upper=765.0)
RECIPE = Recipe(
    temperature_degC=774.0,
    dwell_s=150.0,
    tolerance_degC=10.0,
    tolerance_s=20.0,
    probability=0.91,
    assurance=0.86,
)


@pytest.fixture(scope="module")
def tidy():
    path = Path(__file__).parents[1] / "sheets" / "tidy_pages.py"
    spec = importlib.util.spec_from_file_location("firelab_tidy_card", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def window(mesh, recipe, *, settle=(), reason=None, shown=1.0):
    heat, dwell = np.linspace(746, 829, 30), np.linspace(120, 180, 20)
    ridge = np.exp(
        -(((heat[None, :] - 774) / 14) ** 2 + ((dwell[:, None] - 150) / 25) ** 2)
    )
    return SettingWindow(
        setting={"mesh": mesh, "layers": 1, "base": "hard clear"},
        edges=(Edges(dwell_s=150.0, low_degC=EDGE, high_degC=EDGE),),
        dwell_edges=(DwellEdges(temperature_degC=774.0, low_s=EDGE, high_s=EDGE),),
        recipe=recipe,
        reason=reason,
        reason_code=None if reason is None else "not-sure-enough",
        best=replace(RECIPE, tolerance_degC=0.0, tolerance_s=0.0, assurance=0.6),
        settle=settle,
        assured_share=0.2,
        map=ProbabilityMap(
            temperature_degC=heat,
            dwell_s=dwell,
            probability=shown * np.sqrt(ridge),
            assurance=shown * ridge,
        ),
    )


def windows(*several, notes=()):
    return FiringWindows(
        windows=several,
        target=("full",),
        score_target=7.0,
        probability=0.8,
        confidence=0.8,
        level=0.9,
        priors=("a prior in words", "another prior"),
        notes=notes,
        provenance=Provenance(
            series_hash="ab" * 32,
            seed=2207,
            versions={},
            sources={"firings.csv": "cd" * 32},
        ),
    )


def text_of(pdf, page=0):
    document = pdfium.PdfDocument(pdf)
    assert len(document) == 2, "one to carry, one to cut out"
    return re.sub(r"\s+", " ", document[page].get_textpage().get_text_range())


ASSURED = windows(window(80, RECIPE), window(150, replace(RECIPE, temperature_degC=800.0)))
UNSURE = windows(
    window(
        80,
        None,
        reason="No firing is assured: the best is only 60% sure.",
        settle=("fire another load near 774 degC",),
        shown=0.7,
    ),
    notes=("few tiles were fired",),
)


def test_the_recipe_its_room_chance_and_source_are_on_one_page():
    text = text_of(recipe_card(ASSURED, SERIES))
    for words in (
        "1425 °F",
        "774 °C",
        "2 min 30 s",
        "You may be 18 °F (10 °C) and 20 s off.",
        "80 mesh, 1 coat, over hard clear",
        "Expect 91 of 100 tiles full and clear (score 7); "
        "fewer than 80 is unlikely (1 in 7).",
        "firings.csv cdcdcdcd",
        "seed 2207",
        "Also 150 mesh",
        "1472 °F",
    ):
        assert words in text, words
    for title, words in CAUTIONS:
        assert title in text
        assert words in text
    assert DEFERENCE in text
    assert "No recipe" not in text
    assert "prior" not in text


def test_an_honest_null_says_why_and_what_would_settle_it():
    text = text_of(recipe_card(UNSURE, SERIES))
    assert "No recipe yet. No firing is assured: the best is only 60% sure." in text
    assert "the best there is" in text
    assert "To settle it: fire another load near 774" in text
    assert "few tiles were fired" in text
    assert "You may be" not in text


def test_the_unit_of_the_kiln_comes_first():
    celsius = replace(SERIES, kiln=replace(SERIES.kiln, reads="degC"))
    text = text_of(recipe_card(replace(ASSURED, reads="degC"), celsius))
    assert "You may be 10 °C (18 °F) and 20 s off." in text
    assert text.index("774 °C") < text.index("1425 °F")


@pytest.mark.parametrize(
    ("reads", "below", "above"), [("degF", "1450", "780"), ("degC", "780", "1450")]
)
def test_the_map_has_the_unit_of_the_kiln_below_and_dwell_as_a_clock(reads, below, above):
    series = replace(SERIES, kiln=replace(SERIES.kiln, reads=reads))
    card = recipe_card(replace(ASSURED, reads=reads), series)
    page = pdfium.PdfDocument(card)[0].get_textpage()
    text = page.get_text_range()
    heights = [
        page.get_charbox(text.index(words))[1] for words in (below, "2:00", "3:00", above)
    ]
    assert heights == sorted(heights)


def test_a_recipe_without_room_says_so():
    tight = replace(RECIPE, tolerance_degC=0.1, tolerance_s=0.2)
    assert "no room to spare" in text_of(recipe_card(windows(window(80, tight)), SERIES))


def test_an_invented_series_says_so():
    assert INVENTED not in text_of(recipe_card(ASSURED, SERIES))
    text = text_of(recipe_card(ASSURED, replace(SERIES, invented=True)))
    assert text.count(INVENTED) == 2
    text = text_of(recipe_card(ASSURED, replace(SERIES, invented=True)), page=1)
    assert text.count(INVENTED) == 5, "index card, three jar labels, foot"


@pytest.mark.parametrize("page", ["a4", "letter"])
@pytest.mark.parametrize("found", [ASSURED, UNSURE], ids=["assured", "unsure"])
def test_nothing_overlaps_and_the_bytes_stay(tidy, found, page):
    long = replace(
        SERIES,
        invented=True,
        enamel=replace(SERIES.enamel, colour="Blaugrünviolettschattierung " * 8),
    )
    found = replace(found, notes=("a note that goes on and on " * 12,) * 5)
    for series in (SERIES, long):
        pdf = recipe_card(found, series, page=page)
        tidy.check(pdf)
        assert pdf == recipe_card(found, series, page=page)


@pytest.mark.parametrize(
    ("found", "set_to"),
    [(ASSURED, "1425 °F (774 °C)"), (UNSURE, "best so far: 1425 °F (774 °C)")],
    ids=["assured", "unsure"],
)
def test_an_index_card_and_jar_labels_have_the_recipe(found, set_to):
    text = text_of(recipe_card(found, SERIES), page=1)
    assert text.count(set_to) == 4, "one card and three labels"
    assert text.count("2 min 30 s") == 4
    assert text.count("80 mesh, 1 coat, over hard clear") == 4
    assert text.count(CARE) == 3
    assert ("No recipe yet." in text) == (found is UNSURE)
    assert ("You may be 18 °F (10 °C) and 20 s off." in text) == (found is ASSURED)
