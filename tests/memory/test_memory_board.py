"""The tile board: read from a studio's series, searched, printed; all data invented."""

import asyncio
import re
import shutil
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "sheets"))

import tidy_pages

from firelab.cli.app import app
from firelab.errors import FaultyFile, UsageError
from firelab.memory.board import read_board
from firelab.memory.studio_tables import read_stored, store_tiles
from firelab.plan.plan_files import read_plan
from firelab.report.board_page import board_page, board_photos, print_board, write_board
from firelab.series.series_file import read_series

runner = CliRunner()
COLOUR = "heron <b>& grey</b> (invented)"


def ran(*words):
    result = runner.invoke(app, [str(word) for word in words])
    assert result.exit_code in (0, 1, 3), result.output
    return result


def grade_of(degC):
    return ("sugar", "orange peel", "full", "over")[int(np.clip((degC - 720) // 28, 0, 3))]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A studio with two series of one colour, one of them with photographs."""
    home = tmp_path_factory.mktemp("board") / "reed-street"
    ran("new", home, "--studio")
    for name, mark in (("first", "KE"), ("second", "NA")):
        place = home / name
        ran("new", place, "--from", "quick-look")
        text = (place / "series.toml").read_text(encoding="utf-8")
        text = text.replace("name of the colour", COLOUR)
        text = re.sub(r"(?m)^mark = .*$", f'mark = "{mark}"', text)
        (place / "series.toml").write_text(text, encoding="utf-8")
        ran("plan", place)
        tiles = read_plan(place, read_series(place)).tiles
        rows = [
            f"{one.tile},{grade_of(one.temperature_degC)},2026-03-11"
            for one in tiles.itertuples()
        ]
        looks = home / "looks.csv"
        looks.write_text("tile,stage,fired_at\n" + "\n".join(rows) + "\n", encoding="utf-8")
        ran("record", looks, place)
    looks.unlink()
    code, stage, day = rows[0].split(",")
    picture = home / "photo.jpg"
    Image.new("RGB", (64, 48), (30, 90, 160)).save(picture)
    seen = ("--tile", code, "--stage", stage, "--fired-at", day)
    ran("record", home / "second", *seen, "--photo", picture)
    return home


@pytest.fixture
def studio(made, tmp_path):
    return Path(shutil.copytree(made, tmp_path / "reed-street"))


def test_a_tile_is_found_with_all_that_is_known_of_it(studio):
    board = read_board(studio)
    assert len(board.tiles) == 24
    assert board.summary() == (
        "reed-street: 24 tiles of 1 colour, 2 series.\nPlaces written: 0. Photographs: 1."
    )
    (tile,) = board.find("ke aex")
    plan = read_plan(studio / "first", read_series(studio / "first")).tiles
    (row,) = plan[plan["tile"] == "AEX"].itertuples()
    assert tile.temperature_degC == row.temperature_degC
    assert tile.grades == (grade_of(row.temperature_degC),)
    store_tiles(studio, ["KE"], "wall, left")
    store_tiles(studio, ["KE-AEX"], "=drawer 3")
    shown = ran("board", studio, "--tile", "ke aex").stdout
    assert shown == (
        f"KE-AEX: {COLOUR}, 80 mesh, 1 coat, on bare metal; {tile.grade_words} at "
        f"{tile.heat_words} for {tile.dwell_words}, fired 2026-03-11; lies: =drawer 3.\n"
    )
    assert "'=drawer 3" in (studio / "tiles.csv").read_text(encoding="utf-8")
    assert len(read_board(studio).find("AEX")) == 2
    assert {one.lies for one in read_board(studio).find("KE")} == {
        "wall, left",
        "=drawer 3",
    }
    with pytest.raises(UsageError, match="no tile on the board is called 'QQ'"):
        board.find("QQ")


def test_tiles_hang_by_colour_temperature_and_dwell(studio):
    (section,) = read_board(studio).sections
    assert section.heading == f"{COLOUR}, opaque on copper"
    heats = [row[0].temperature_degC for row in section.rows]
    assert heats == sorted(heats) and len(set(heats)) == len(heats)
    for row in section.rows:
        assert len({one.heat_words for one in row}) == 1
        assert [one.dwell_s for one in row] == sorted(one.dwell_s for one in row)
        # Two series of one colour hang side by side.
        assert {one.series for one in row} == {"first", "second"}


def test_a_tile_fired_on_says_so_and_a_lost_one_hangs_no_more(studio):
    tile = replace(
        read_board(studio).tiles[0], dwell_s=60.0, n_firings=2, total_dwell_s=150.0
    )
    assert tile.dwell_words == "1 min; 2 firings, 2 min 30 s in all"
    first = read_plan(studio / "first", read_series(studio / "first")).tiles
    lost = str(first["tile"].iloc[0])
    ran("record", studio / "first", "--tile", lost, "--lost", "dropped")
    board = read_board(studio)
    assert len(board.tiles) == 23
    with pytest.raises(UsageError):
        board.find(f"KE-{lost}")


def test_every_fault_of_where_tiles_lie_is_named_at_once(studio):
    path = studio / "tiles.csv"
    path.write_text(
        "tile,lies\nKE-AEX,drawer 3\nke aex,wall\n,box\nNA,\nQQ-AEX,box\n", encoding="utf-8"
    )
    with pytest.raises(FaultyFile) as fault:
        read_stored(studio)
    assert [(one.line, one.column, one.message) for one in fault.value.findings] == [
        (3, 1, "tile ke aex is in line 2 already"),
        (4, 1, "tile is empty"),
        (5, 2, "lies is empty"),
    ]
    assert "tiles.csv:3 tile ke aex is in line 2 already" in ran("check", studio).output
    path.write_text("tile,lies\nQQ-AEX,box\n", encoding="utf-8")
    assert read_board(studio).left_out == (
        "tiles.csv line 2: QQ-AEX is no tile of the studio",
    )
    path.write_text("tile,drawer\nQQ-AEX,box\n", encoding="utf-8")
    with pytest.raises(FaultyFile, match="column lies is missing"):
        read_board(studio)


def test_a_recipe_is_told_as_it_is_to_be_set_today(studio):
    ran("fit", studio / "first")
    ran("windows", studio / "first", "--json")
    stored = studio / "first" / "windows.json"
    window = re.sub(r'"recipe": null', RECIPE, stored.read_text(encoding="utf-8"), count=1)
    stored.write_text(window, encoding="utf-8")
    (before,) = read_board(studio, today=date(2026, 4, 30)).sections[0].recipes
    assert (
        before == "first: set 1400 °F (760 °C) for 2 min, at most 9 °F (5 °C) and 10 s off"
    )
    with (studio / "studio.toml").open("a", encoding="utf-8") as file:
        file.write(
            '[[corrections]]\nkiln = "kiln"\nsince = 2026-05-01\nreads = "20 degF high"\n'
        )
    (after,) = read_board(studio, today=date(2026, 5, 1)).sections[0].recipes
    assert after.startswith("first: set 1420 °F (771 °C) for 2 min")
    tile = read_plan(studio / "first", read_series(studio / "first")).tiles["tile"].iloc[0]
    ran("record", studio / "first", "--tile", tile, "--stage", "over", "--correct")
    (stale,) = read_board(studio, today=date(2026, 5, 1)).sections[0].recipes
    assert stale == f"{after} (stale: more was recorded since)"


RECIPE = (
    '"recipe": {"temperature_degC": 760.0, "dwell_s": 120.0, "tolerance_degC": 5.0, '
    '"tolerance_s": 10.0, "probability": 0.9, "assurance": 0.9}'
)


def test_the_page_fetches_nothing_and_escapes_what_people_wrote(studio):
    store_tiles(studio, ["KE-AEX"], '"><script>alert(1)</script>')
    text = board_page(read_board(studio))
    assert COLOUR not in text and "&lt;b&gt;&amp; grey" in text
    assert "<script>alert" not in text
    assert re.findall(r'(?:src|href)="(?!data:image/jpeg;base64,|#)', text) == []
    assert "http" not in text
    assert text.count('class="tile') - text.count('class="tiles"') == 24
    assert text.count('<img class="seen"') == 1
    for name in re.findall(r'<use href="#([^"]+)"', text):
        assert text.count(f'<symbol id="{name}"') == 1
    assert "Never breathe enamel powder" in text
    assert board_page(read_board(studio)) == text


@pytest.mark.parametrize("page", ["a4", "letter"])
def test_the_printed_board_is_tidy_and_names_the_page_of_every_tile(studio, page):
    import pypdfium2 as pdfium

    store_tiles(studio, ["KE"], "drawer 3, the second row from the back, beside the greens")
    board = read_board(studio)
    printed = print_board(board, board_photos(board)[0], page=page)
    tidy_pages.check(printed)
    assert printed == print_board(board, board_photos(board)[0], page=page)
    texts = [one.get_textpage().get_text_range() for one in pdfium.PdfDocument(printed)]
    (index,) = [text for text in texts if text.startswith("Where each tile is")]
    for tile in board.tiles:
        (number,) = re.findall(rf"{tile.name}\s+page (\d+)", index)
        assert tile.name in texts[int(number) - 1]
    assert "These cautions are not complete." in texts[-1]


def test_the_command_writes_both_and_says_where(studio):
    told = ran("board", studio, "--tile", "KE-AEX, NA", "--lies", "box 2")
    assert told.stdout == f"{studio / 'tiles.csv'}: 13 tiles in box 2\n"
    told = ran("board", studio, "--page", "letter")
    assert told.stdout.splitlines()[1] == ("Places written: 13. Photographs: 1.")
    assert (studio / "board.pdf").read_bytes().startswith(b"%PDF")
    assert '"schema": "firelab/board/1"' in ran("board", studio, "--json").stdout
    refused = runner.invoke(app, ["board", str(studio), "--lies", "box"])
    assert refused.exit_code == 2
    assert refused.stderr.startswith("--lies: no tile is named")
    bare = studio.parent / "bare"
    ran("new", bare, "--studio")
    assert ran("board", bare).stdout == "bare: no tile was fired yet.\n"


@pytest.mark.browser
def test_the_page_finds_a_tile_by_mark_and_code(studio):
    """Run with ``pytest -m browser``."""
    page_file, _ = write_board(read_board(studio), studio)

    async def run():
        from playwright.async_api import async_playwright

        chromium = shutil.which("chromium") or shutil.which("chromium-browser")
        assert chromium, "no Chromium on the path: install Debian's package chromium"
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(
                executable_path=chromium, args=["--no-sandbox"]
            )
            page = await browser.new_page(viewport={"width": 390, "height": 844})
            page.set_default_timeout(120_000)
            await page.goto(page_file.resolve().as_uri())
            assert await page.evaluate("document.documentElement.scrollWidth") == 390
            seen = []
            for words in ("ke-aex", "KEAEX", "aex first", "nothing like it", ""):
                await page.fill("#find", words)
                seen.append(await page.locator(".tile:visible").count())
            await browser.close()
            return seen

    assert asyncio.run(run()) == [1, 1, 1, 0, 24]
