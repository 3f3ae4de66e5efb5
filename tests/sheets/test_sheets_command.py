"""`firelab sheets` on a series folder."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pypdfium2 as pdfium
import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.plan.make_plan import make_plan
from firelab.plan.plan_files import write_plan
from firelab.series.folder import sha256_of
from firelab.series.series_file import design_path, read_series, series_hash


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A planned folder that no test changes."""
    base = tmp_path_factory.mktemp("planned")
    text = design_path("quick-look").read_text(encoding="utf-8")
    (base / "series.toml").write_text(text, encoding="utf-8")
    write_plan(make_plan(read_series(base), series_hash=series_hash(base)), base)
    return base


@pytest.fixture
def folder(planned, tmp_path):
    return Path(shutil.copytree(planned, tmp_path, dirs_exist_ok=True))


def ran(*words):
    return CliRunner().invoke(app, ["sheets", *map(str, words)])


def test_it_writes_sheets_that_stay_the_same(folder):
    assert ran(folder).exit_code == 0
    first = (folder / "sheets.pdf").read_bytes()
    done = ran(folder)
    assert done.exit_code == 0
    assert "sheets.pdf" in done.stdout
    assert (folder / "sheets.pdf").read_bytes() == first
    width, height = pdfium.PdfDocument(first)[0].get_size()
    assert (round(width), round(height)) == (595, 842)


def test_the_foot_names_the_plan_and_series_that_were_printed(folder):
    ran(folder)
    document = pdfium.PdfDocument((folder / "sheets.pdf").read_bytes())
    plan, series = (sha256_of(folder / name) for name in ("plan.csv", "series.toml"))
    text = document[0].get_textpage().get_text_range()
    assert f"plan {plan[:8]} of series {series[:8]}" in text
    keywords = document.get_metadata_value("Keywords")
    assert f"plan.csv sha256 {plan}" in keywords
    assert f"series.toml sha256 {series}" in keywords


def test_a_stale_plan_is_called_stale(folder):
    assert "is stale" not in ran(folder).stderr
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "\n# a word more\n", encoding="utf-8")
    assert "is stale" not in ran(folder).stderr
    path.write_text(re.sub("seed = .*", "seed = 9", text), encoding="utf-8")
    done = ran(folder)
    assert done.exit_code == 0
    assert "the plan is stale: seed of series.toml changed since" in done.stderr


def test_page_labels_class_and_output_are_taken(folder, tmp_path):
    names = tmp_path / "class.txt"
    names.write_text("\ufeffAna\n\nBo\n", encoding="utf-8")
    target = tmp_path / "other.pdf"
    done = ran(
        folder, "--page", "letter", "--labels", "70x37", "--students", names,
        "--output", target,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    document = pdfium.PdfDocument(target.read_bytes())
    assert document[0].get_size() == (612, 792)
    text = " ".join(page.get_textpage().get_text_range() for page in document)
    assert "Ana" in text and "Bo" in text
    assert not (folder / "sheets.pdf").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--page", "a5"], "page 'a5' is not known"),
        (["--labels", "9"], "labels '9' is not WIDTHxHEIGHT"),
        (["--session", "9"], "session 9 is not in the plan"),
        (["--students", "nowhere.txt"], "nowhere.txt: cannot be read"),
    ],
)
def test_wrong_words_are_told_and_nothing_is_written(folder, words, said):
    done = ran(folder, *words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert "hint:" in done.stderr
    assert not (folder / "sheets.pdf").exists()


def test_a_folder_without_a_plan_says_what_to_do(tmp_path):
    text = design_path("quick-look").read_text(encoding="utf-8")
    (tmp_path / "series.toml").write_text(text, encoding="utf-8")
    done = ran(tmp_path)
    assert done.exit_code == 1
    assert "there is no plan" in done.stderr


def test_lost_characters_are_told(folder):
    path = folder / "series.toml"
    text = path.read_text(encoding="utf-8").replace("name of the colour", "緑")
    path.write_text(text, encoding="utf-8")
    done = ran(folder)
    assert done.exit_code == 0
    assert "the sheets show an open square for: 緑" in done.stderr
