"""Phones that lost the connection in real Chromium: over plain http, and with one code.

Run with ``pytest -m browser``; see test_kilnside_browser.py.
"""

import asyncio
import os
import re
import signal
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import test_kilnside_browser as HAND
from test_kilnside_next import SERIES

from firelab.plan.plan_files import read_plan
from firelab.records.firing_log import read_firings, read_planned_log
from firelab.records.folder_check import check_folder
from firelab.series.series_file import read_series

pytestmark = pytest.mark.browser

PATIENCE = HAND.PATIENCE_MS


@pytest.fixture
def kilnside(tmp_path, one_at_a_time):
    server = HAND.Kilnside(one_at_a_time(tmp_path / "one", SERIES).path)
    server.start()
    yield server
    server.kill()


async def phone(browser, url):
    context = await browser.new_context(**HAND.PHONE)
    context.set_default_timeout(PATIENCE)
    page = await context.new_page()
    hand = HAND.Hand(page, context)
    await page.goto(url)
    await page.locator("#next-go").wait_for()
    return hand


async def mark_next(hand):
    """Mark the tile that Next proposes, fire it without the clock; return its code."""
    await hand.view("next")
    await hand.page.locator("#next-go").wait_for()
    code = re.search(r"KE-\w+", await hand.page.locator("#next-go").inner_text())[0]
    await hand.page.locator("#next-go").tap()
    return code


async def grade(hand, code, stage):
    await hand.open_tile(code)
    await hand.page.locator("#as-planned").tap()
    name = hand.page.locator("#grades .name", has_text=re.compile(f"^{stage}$"))
    await name.tap()


async def over_plain_http(browser, kilnside):
    """Lose the connection, grade, reload in vain, and open the page's address again."""
    from playwright.async_api import Error as PlaywrightError

    url = kilnside.url().replace("127.0.0.1", HAND.NAME)
    hand = await phone(browser, url)
    secure = await hand.page.evaluate("window.isSecureContext")
    await hand.is_called("Kim")
    standing = hand.page.locator("#page-open")
    await standing.wait_for()  # told beforehand, where looks are, and once a copy is kept
    code = await mark_next(hand)
    await hand.link("^Every look is kept$")
    kilnside.kill()
    await grade(hand, code, "sugar")
    await hand.link(
        "^No connection: 1 look kept on this phone. Do not reload this page; "
        "if it is lost, open its address again$"
    )
    await HAND.shoot(hand.page, "plain-http-away")
    hand.page.on("dialog", lambda asked: asked.accept())  # leave, though it warns
    with pytest.raises(PlaywrightError, match="ERR_CONNECTION"):
        await hand.page.reload()
    await hand.page.close()
    hand.page = await hand.context.new_page()
    await hand.page.goto(f"http://{HAND.NAME}:{kilnside.port}/")
    await hand.link("^No connection: 1 look kept on this phone")
    kilnside.start()
    await hand.link("^Every look is kept")
    return secure, code, hand.faults


def test_over_plain_http_the_page_opens_again_by_its_address(kilnside):
    secure, code, faults = HAND.in_browser(over_plain_http, kilnside)
    assert not secure
    assert faults == [""], "the browser asked, in its own words, before it left the page"
    looks = read_firings(kilnside.folder).table
    assert looks[["tile", "stage", "observer"]].to_numpy().tolist() == [
        [code.removeprefix("KE-"), "sugar", "Kim"]
    ]


OLDER = """async () => {
  const held = await caches.open("kilnside-page");
  const page = await held.match("/");
  const older = (await page.text()).replace(/data-page="[^"]+"/, 'data-page="older"');
  await held.put("/", new Response(older, { headers: page.headers }));
}"""
IS_OLDER = "() => document.documentElement.dataset.page === 'older'"
IS_NEWEST = "() => document.documentElement.dataset.page !== 'older'"
TWO_ANSWERS_MORE = """() => {
  const before = answered;
  return new Promise((done) => setInterval(() => answered > before + 1 && done(true), 50));
}"""


async def over_https(browser, kilnside):
    """Reload while the server says nothing, and while it is gone; then it comes back."""
    hand = await phone(browser, kilnside.url())
    page = hand.page
    await hand.is_called("Kim")
    await hand.page_is_kept()
    code = await mark_next(hand)
    await hand.link("^Every look is kept$")
    os.kill(kilnside.process.pid, signal.SIGSTOP)  # it takes connections and says nothing
    await grade(hand, code, "sugar")
    await page.reload()
    await hand.link("^No connection: 1 look kept on this phone$")
    await page.evaluate(OLDER)
    kilnside.kill()
    await page.reload()
    assert await page.evaluate(IS_OLDER)
    await hand.link("^No connection: 1 look kept on this phone$")
    await HAND.shoot(page, "https-away")
    await hand.view("grade")
    await page.locator("#grade-tiles .code", has_text=code).tap()
    await page.locator("#note").fill("amid a tile")
    kilnside.start()
    await hand.link("^Every look is kept")
    await page.evaluate(TWO_ANSWERS_MORE)
    assert await page.evaluate(IS_OLDER), "what is typed stays"
    await page.locator("#panel-close").tap()
    await page.wait_for_function(IS_NEWEST, timeout=PATIENCE)
    await hand.link("^Every look is kept$")
    cookies = await hand.context.cookies()
    return code, hand.faults, [(one["name"], one["secure"]) for one in cookies]


def test_over_https_a_reload_keeps_the_page_and_a_newer_one_takes_its_place(
    tmp_path, one_at_a_time, certificate
):
    server = HAND.Kilnside(one_at_a_time(tmp_path / "one", SERIES).path, certificate)
    server.start()
    try:
        code, faults, cookies = HAND.in_browser(over_https, server, certificate=certificate)
    finally:
        server.kill()
    assert faults == []
    assert cookies == [("__Host-firelab-kilnside", True)]
    looks = read_firings(server.folder).table
    assert looks[["tile", "stage", "observer"]].to_numpy().tolist() == [
        [code.removeprefix("KE-"), "sugar", "Kim"]
    ]


async def one_code_twice(browser, kilnside):
    """Both phones have the same proposal; one is away while both mark a tile by it."""
    one = await phone(browser, kilnside.url())
    while kilnside.shown.read_text().count("http://") < 2:
        await asyncio.sleep(0.05)
    two = await phone(browser, kilnside.url())
    await one.is_called("Kim")
    await two.is_called("Lou")
    await two.context.set_offline(True)
    code = await mark_next(one)
    await one.link("^Every look is kept$")
    assert await mark_next(two) == code
    await grade(one, code, "sugar")
    await one.link("^Every look is kept$")
    await grade(two, code, "over")
    await two.context.set_offline(False)
    await two.link("A tile needs another code, see Next$")
    await two.view("next")
    name = two.page.locator("#next-name")
    await name.wait_for()
    await HAND.shoot(two.page, "needs-another-code")
    words = await two.page.locator("#next-trouble").inner_text()
    other = re.search(r"KE-\w+", await name.inner_text())[0]
    await name.tap()
    await two.link("^Every look is kept$")
    return code, other, words, one.faults + two.faults


def test_two_tiles_that_were_given_one_code_stay_apart(kilnside):
    code, other, words, faults = HAND.in_browser(one_code_twice, kilnside)
    assert faults == []
    assert other != code
    assert words.startswith(f"{code}, fired here at ")
    looks = read_firings(kilnside.folder).table
    assert looks[["tile", "load", "stage", "observer"]].to_numpy().tolist() == [
        [code.removeprefix("KE-"), 1, "sugar", "Kim"],
        [other.removeprefix("KE-"), 2, "over", "Lou"],
    ]
    assert check_folder(kilnside.folder).findings == ()


async def begun_by_mistake(browser, kilnside):
    """Mark a tile, start its clock, and take both back, connected and not."""
    hand = await phone(browser, kilnside.url())
    undo = hand.page.locator("#undo")
    said = []
    for is_away in (False, True):
        await hand.context.set_offline(is_away)
        await mark_next(hand)
        await hand.page.locator("#door").tap()
        if not is_away:
            await hand.link("^Every look is kept$")
            arg = "() => bay.loads.length === 1 && !ahead().length"
            await hand.page.wait_for_function(arg, timeout=PATIENCE)
        await undo.tap()
        said.append(await hand.page.locator("#bar-words").inner_text())
        await undo.tap()
        said.append(await hand.page.locator("#bar-words").inner_text())
        assert not await undo.is_visible(), "there is nothing more to take back"
    await hand.context.set_offline(False)
    settled = "() => !back().length && !ahead().length && bay.version && !bay.loads.length"
    await hand.page.wait_for_function(settled, timeout=PATIENCE)
    code = await mark_next(hand)
    assert await hand.page.locator("#door").inner_text() == "Door closed: start"
    await grade(hand, code, "full")
    await hand.link("^Every look is kept$")
    return code, said, hand.faults


def test_a_tile_begun_by_mistake_is_taken_back(kilnside):
    code, said, faults = HAND.in_browser(begun_by_mistake, kilnside)
    assert faults == []
    begun = re.compile(rf"Undone: {code} to be fired at \d+ °F \(\d+ °C\)")
    assert said[::2] == [f"Undone: Clock started for {code}"] * 2
    assert all(begun.fullmatch(words) for words in said[1::2])
    plan = read_plan(kilnside.folder, read_series(kilnside.folder))
    assert [f"KE-{tile}" for tile in plan.tiles["tile"]] == [code]
    assert [one.stage for one in read_planned_log(kilnside.folder)[2].rows] == ["full"]
