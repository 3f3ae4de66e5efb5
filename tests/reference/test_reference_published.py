"""Published data through the files of a series: a short run of the published study.

Sources: as named in the study's own modules (wine, Randall 1989; cake, Cook 1938).
"""

import importlib
from pathlib import Path

import numpy as np
import pytest

STUDY = Path(__file__).parents[2] / "analyses" / "published"
QUADRATURE = "wine, judges"
INTERPOLATED = ("profile", "p of recipe")


@pytest.fixture(scope="module")
def modules():
    patch = pytest.MonkeyPatch()
    patch.syspath_prepend(STUDY)
    yield {name: importlib.import_module(f"published_{name}") for name in ("wine", "cake")}
    patch.undo()


@pytest.fixture(scope="module")
def wine(modules, tmp_path_factory):
    return modules["wine"].wine_records(tmp_path_factory.mktemp("wine"))


@pytest.fixture(scope="module")
def cake(modules, tmp_path_factory):
    return modules["cake"].cake_records(tmp_path_factory.mktemp("cake"))


def least_digits(row):
    if row.what.startswith(INTERPOLATED):
        return 4.9
    if row.study == QUADRATURE and row.what != "log likelihood":
        return 5.0
    return 6.9 if row.what.startswith("share") else 7.0  # shares have nine decimals


def test_nothing_is_lost_between_table_and_records(wine, cake):
    assert (len(wine.graded), len(cake.graded)) == (72, 270)
    assert wine.looks["stage"].value_counts().sort_index().tolist() == [5, 22, 26, 12, 7]
    assert cake.looks["transparency"].sum() == 8673
    assert cake.looks.groupby("load").size().eq(6).all()


def test_wine_agrees_with_the_published_fits(modules, wine):
    rows = modules["wine"].compare_wine(wine)
    assert len(rows) > 40
    poor = [
        (row.study, row.what, row.digits) for row in rows if row.digits < least_digits(row)
    ]
    assert not poor


def test_cake_agrees_with_the_published_fits(modules, cake):
    rows = modules["cake"].compare_cake(cake)
    assert len(rows) == 15
    poor = [
        (row.study, row.what, row.digits) for row in rows if row.digits < least_digits(row)
    ]
    assert not poor


def test_the_wine_window_holds_the_published_edge(modules, wine):
    found = modules["wine"].wine_windows(wine)
    edge, published = found["yes"]
    assert edge.lower < published < modules["wine"].WARM_DEGC
    assert abs(edge.estimate - published) < 5
    beyond, outside = found["no"]
    assert outside > modules["wine"].WARM_DEGC
    assert beyond.estimate is None


def test_the_cake_windows_agree_with_the_published_coefficients(modules, cake):
    _, found, published, windows = modules["cake"].cake_windows(cake)
    assert np.max(np.abs(found - published)) < 0.02
    assert windows.score_target == modules["cake"].TARGET
