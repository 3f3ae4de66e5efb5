"""Eight tiles of one jar, each chosen from the last, on one phone in real Chromium.

Run with ``pytest -m browser``; see test_kilnside_browser.py.
"""

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import test_kilnside_browser as HAND
from test_kilnside_next import SERIES

from firelab.craft.units import to_degF
from firelab.records.firing_log import read_firings
from firelab.records.folder_check import check_folder

pytestmark = pytest.mark.browser

AWAY = (4, 5)
"""Tiles that are fired and graded without connection, from 0."""
IS_FRESH = """(count) => {
  const next = toFire();
  return Boolean(next && next.isFresh && card().belief.tiles.length === count);
}"""


def truth(degF, dwell_s):
    """Invented: full from 1410 to 1450 degF at 2 min 15 s, 10 degF less for 10 s more."""
    heat = degF + (dwell_s - 135.0)
    return ["sugar", "orange peel", "full", "over"][
        sum(heat >= edge for edge in (1375, 1410, 1450))
    ]


class Jar:
    """One jar on one phone, from the first tile."""

    def __init__(self, hand):
        self.hand, self.page = hand, hand.page
        self.fired, self.offered = [], []

    async def text(self, name):
        return await self.page.locator(f"#{name}").inner_text()

    async def fresh(self, count):
        patience = HAND.PATIENCE_MS
        await self.page.wait_for_function(IS_FRESH, arg=count, timeout=patience)

    async def fire(self, number):
        """Do what the page says, and grade what comes out."""
        await self.hand.view("next")
        degF = int(re.match(r"\d+", await self.text("next-heat"))[0])
        code = re.search(r"KE-\w+", await self.text("next-go"))[0]
        await self.page.locator("#next-go").tap()
        assert await self.text("kiln-heading") == f"Load {number + 1}"
        assert await self.page.locator("#kiln-tiles .code").all_inner_texts() == [code]
        minutes, seconds = (await self.text("clock-digits")).split(":")
        dwell_s = 60 * int(minutes) + int(seconds)
        await self.page.locator("#door").tap()
        await self.page.clock.fast_forward(1000 * dwell_s + 500)
        await self.page.wait_for_selector("#clock[data-due]")
        await self.page.locator("#door").tap()
        grade = truth(degF, dwell_s)
        await self.hand.grade(code, grade)
        self.fired.append((code, degF, grade))
        assert await self.page.locator("#next-view").is_visible(), "the next one is shown"

    async def work(self):
        await self.fresh(0)
        await HAND.shoot(self.page, "next-0")
        await self.hand.is_called("Kim")
        for number in range(8):
            if number == AWAY[0]:
                await self.hand.context.set_offline(True)
            await self.fire(number)
            if number in AWAY:
                await self.hand.link(r"^No connection: \d looks? kept on this phone")
                self.offered.append(
                    (await self.text("next-heat"), await self.text("next-why"))
                )
                await HAND.shoot(self.page, f"next-away-{number + 1}")
            if number == AWAY[-1]:
                await self.hand.context.set_offline(False)
            if number not in AWAY[:-1]:
                await self.fresh(number + 1)
                await HAND.shoot(self.page, f"next-{number + 1}")
        self.told_last = await self.text("next-now")


@pytest.fixture
def jar_folder(tmp_path, one_at_a_time):
    return one_at_a_time(tmp_path / "one", SERIES).path


async def a_jar(browser, kilnside):
    context = await browser.new_context(**HAND.PHONE)
    context.set_default_timeout(HAND.PATIENCE_MS)
    page = await context.new_page()
    jar = Jar(HAND.Hand(page, context))
    await page.clock.install()
    await page.goto(kilnside.url())
    await jar.work()
    return jar


def test_eight_tiles_each_from_the_last(jar_folder):
    kilnside = HAND.Kilnside(jar_folder)
    kilnside.start()
    try:
        jar = HAND.in_browser(a_jar, kilnside)
    finally:
        kilnside.kill()
    assert jar.hand.faults == []
    assert check_folder(jar_folder).findings == ()
    looks = read_firings(jar_folder).table
    seen = [
        (f"KE-{tile}", round(to_degF(degC)), stage)
        for tile, degC, stage in zip(
            looks["tile"], looks["temperature_degC"], looks["stage"], strict=True
        )
    ]
    assert seen == jar.fired
    told = re.match(
        r"Likeliest now: (\d+) °F \(.*?\) for (\d) min(?: (\d+) s)?,", jar.told_last
    )
    degF, minutes, seconds = (int(part or 0) for part in told.groups())
    assert truth(degF, 60 * minutes + seconds) == "full", "after eight tiles it is found"
    step = {"sugar": 25, "orange peel": 25, "full": 0, "over": -25}
    for number, (heat, why) in zip(AWAY, jar.offered, strict=True):
        code, degF, grade = jar.fired[number]
        assert heat == f"{degF + step[grade]} °F"
        assert why.startswith(f"{code} came out {grade}. By the simple rule: ")
