"""The calibration on the page, in a real browser, by keyboard: a model person reads it and acts."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import async_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "service"))

from model_person import Blinker
from test_calibrating import RULES, Bench

from bridge.monitor import Monitor
from bridge.recordings.profile_file import read_profile_file
from bridge.service.companions import page

from .browser import Sight, chromium, see

SLOW_S, SIZE = 0.004, 20  # so much host time for 100 ms of signal
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


@contextlib.asynccontextmanager
async def sitting(folder: Path, person: Blinker) -> AsyncIterator[tuple[Bench, Any, Monitor]]:
    own = Bench(folder, person, SLOW_S, SIZE)
    shown = page(RULES, None, lambda: own.daemon, shelf=own.shelf, desk=own.desk, dry_run=False)
    monitor = shown.tap
    own.daemon._taps = (own.desk, monitor)
    async with own.running(), async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium())
        try:
            yield own, browser, monitor
        finally:
            await browser.close()
            await monitor.stop()


async def violations(sight: Sight) -> list[str]:
    found = await Axe().run(sight.page, options=WCAG)
    return [
        f"{item['id']}: {node['html']}" for item in found.response["violations"] for node in item["nodes"]
    ]


async def press(sight: Sight, name: str) -> None:
    """Go to a button or box by the Tab key alone, and press the blank."""
    for _ in range(60):
        at = await sight.page.evaluate(
            "document.activeElement.matches('button, input') ? document.activeElement.textContent : ''"
        )
        if name in at:
            await sight.page.keyboard.press("Space")
            return
        await sight.page.keyboard.press("Tab")
    pytest.fail(f"the keyboard never came to {name}")


def test_the_whole_routine_by_keyboard_to_a_kept_profile(tmp_path: Path) -> None:
    async def main() -> None:
        async with sitting(tmp_path, Blinker(ratio=2.4, spread=0.1, seed=4)) as (own, browser, monitor):
            sight = await see(browser, await monitor.start())
            page = sight.page
            await page.focus("#calibrate-link")
            await page.keyboard.press("Enter")
            await sight.says("#calibrate-title", "Calibrate")
            await page.wait_for_selector("#calibrate-form")
            assert await violations(sight) == []
            await page.focus("#calibrate-few")
            await page.keyboard.press("Space")
            await press(sight, "Begin")
            await sight.says("#calibrate-step", "Signal check")
            await sight.says("#state", "Paused")
            await sight.holds("document.activeElement.id === 'calibrate-run'")
            await sight.says("#calibrate-word", "BLINK firmly")
            assert await violations(sight) == []
            await sight.says("#calibrate-step", "Step 2 of 5")
            own.person.slow_s = 0.05  # twice as fast as life, for what a person does by hand
            await press(sight, "Repeat this step")
            await sight.says("#calibrate-word", "Rest a moment")
            await press(sight, "Go on")
            own.person.slow_s = SLOW_S
            await sight.says("#calibrate-step", "Step 3 of 5")
            await sight.says("#calibrate-instruction", "Now do NOT")
            await sight.holds("!document.getElementById('calibrate-found').hidden", 60)
            assert await page.locator(".evidence svg[role=img]").count() == 3
            await sight.says(".evidence dl", "expected hit rate")
            await sight.says(".evidence dl", "false activations")
            assert await violations(sight) == []
            assert not (tmp_path / "me.yaml").exists()
            await press(sight, "Keep as the profile")
            await sight.says("#calibrate-said", "Kept.")
            assert "blink" in read_profile_file(tmp_path / "me.yaml").detectors
            assert [text for text in sight.complaints if "error" in text.lower()] == []
            assert all(
                address.startswith(("http://127.0.0.1", "ws://127.0.0.1")) for address in sight.requests
            )
            # At the width of a phone and in the dark nothing is cut off or scrolls sideways.
            await page.set_viewport_size({"width": 360, "height": 740})
            await page.emulate_media(color_scheme="dark")
            assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            assert await violations(sight) == []
        assert own.person.words.count("BLINK firmly") >= 10

    asyncio.run(asyncio.wait_for(main(), 110))


def test_a_bad_signal_says_what_to_do_and_the_reading_link_has_no_calibration(tmp_path: Path) -> None:
    async def main() -> None:
        async with sitting(tmp_path, Blinker(seed=4)) as (own, browser, monitor):
            sight = await see(browser, await monitor.start())
            reader = await see(browser, monitor.read_only_link)
            assert await reader.page.is_hidden("#calibrate-link")
            own.person.off = True
            await sight.page.click("#calibrate-link")
            await sight.page.click("#calibrate-start")
            await sight.says("#calibrate-said", "No profile was made")
            await sight.says("#calibrate-check", "bad")
            assert await sight.page.is_visible("#calibrate-force-row")
            assert await violations(sight) == []
            own.person.off = False
            await sight.page.check("#calibrate-force")
            await sight.page.click("#calibrate-start")
            await sight.says("#calibrate-step", "Step 1")
            await sight.page.click("#calibrate-stop")
            await sight.says("#calibrate-said", "Ended early")

    asyncio.run(asyncio.wait_for(main(), 60))


def test_without_motion_there_is_no_creeping_bar_and_words_stand_still(tmp_path: Path) -> None:
    async def main() -> None:
        async with sitting(tmp_path, Blinker(seed=4)) as (own, browser, monitor):
            sight = await see(browser, await monitor.start(), reduced_motion="reduce")
            await sight.page.click("#calibrate-link")
            await sight.page.click("#calibrate-start")
            await sight.says("#calibrate-step", "Step 1")
            assert await sight.page.is_hidden("#calibrate-progress")
            moving = "document.getAnimations().filter((a) => a.playState === 'running').length"
            assert await sight.page.evaluate(moving) == 0
            own.desk.press("stop")
            await sight.says("#calibrate-said", "Ended early")

    asyncio.run(asyncio.wait_for(main(), 60))
