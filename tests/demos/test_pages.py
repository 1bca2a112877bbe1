"""The pages to control, in a real browser: by keyboard, by simulated switches, and by the daemon's own keys."""

from __future__ import annotations

import asyncio
import math
import os
import signal
import subprocess
import sys
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Page, async_playwright, expect

from tests import components
from tests.components import end, until
from tests.monitor.browser import chromium

DEMOS = Path(__file__).resolve().parents[2] / "demos"
PAGES = ("slides", "fireflies", "typing", "breathing", "events", "balloon")
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def address(name: str) -> str:
    return (DEMOS / name / "index.html").as_uri()


def on_page(name: str, check: Callable[[Page], Awaitable[None]], **context: Any) -> None:
    async def main() -> None:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=chromium())
            opened = await browser.new_context(**context)
            page = await opened.new_page()
            complaints: list[str] = []
            asked: list[str] = []
            page.on("console", lambda message: complaints.append(message.text))
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.on("request", lambda request: asked.append(request.url))
            await page.goto(address(name))
            await check(page)
            assert complaints == []
            assert all(url.startswith("file:") for url in asked), "nothing is loaded from elsewhere"
            await browser.close()

    asyncio.run(asyncio.wait_for(main(), 60))


@pytest.mark.parametrize("name", PAGES)
def test_pages_pass_wcag_in_both_themes_and_on_a_phone(name: str) -> None:
    async def check(page: Page) -> None:
        for scheme, width in (("light", 1200), ("dark", 360)):
            await page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            await page.set_viewport_size({"width": width, "height": 760})
            found = await Axe().run(page, options=WCAG)
            assert [(v["id"], v["nodes"][0]["html"]) for v in found.response["violations"]] == []
            assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), (name, width)

    on_page(name, check)


def test_slides_turn_by_their_keys() -> None:
    async def check(page: Page) -> None:
        where = page.locator("#where")
        assert "Slide 1 of 6" in (await where.text_content() or "")
        for key, shown in (
            ("PageDown", 2),
            ("ArrowRight", 3),
            ("PageUp", 2),
            ("End", 6),
            ("PageDown", 6),
            ("Home", 1),
        ):
            await page.keyboard.press(key)
            assert f"Slide {shown} of 6" in (await where.text_content() or ""), key
            assert await page.locator("section:visible").count() == 1

    on_page("slides", check)


def test_fireflies_are_caught_by_looking_and_clenching() -> None:
    """A player that reads the picture, holds an arrow towards the lowest firefly and closes the lid in time."""

    async def check(page: Page) -> None:
        await page.select_option("#pace", "1.6")
        await page.click("#start")
        # The picture keeps frames to itself; what is seen is where the jar and the flies are drawn.
        look = (
            "[Number(document.querySelector('#jar').getAttribute('transform').match(/\\d+/)[0]),"
            " [...document.querySelectorAll('#flies circle')].map((c) => [Number(c.getAttribute('cx')), Number(c.getAttribute('cy'))])]"
        )
        for _ in range(600):
            jar, flies = await page.evaluate(look)
            if flies:
                lane, height = max(flies, key=lambda fly: fly[1])
                if lane != jar:
                    key = "ArrowLeft" if lane < jar else "ArrowRight"
                    await page.keyboard.down(key)
                    await page.keyboard.up(key)
                elif height > 300:
                    await page.keyboard.press("Space")
            if "Caught 2" in (await page.text_content("#score") or ""):
                break
            await asyncio.sleep(0.02)
        assert "Caught 2" in (await page.text_content("#score") or "")
        await page.keyboard.press("p")
        assert await page.text_content("#start") == "Start"

    on_page("fireflies", check, reduced_motion="reduce")


def test_breathing_shows_the_hearts_answer() -> None:
    """Rates and their swing against numpy, on beats whose rate swings by 10 a minute with six breaths a minute."""
    beats, time_s = [], 0.0
    while time_s < 45:
        beats.append(time_s)
        time_s += 60 / (70 + 5 * math.sin(2 * math.pi * time_s / 10))
    rates = np.column_stack((beats[1:], 60 / np.diff(beats)))
    whole = [
        rates[(rates[:, 0] >= begin) & (rates[:, 0] < begin + 10), 1]
        for begin in np.arange(rates[0, 0], rates[-1, 0] - 10, 10)
    ]
    swing = float(np.mean([np.ptp(own) for own in whole]))

    async def check(page: Page) -> None:
        told = await page.evaluate(f"figures.rates({beats})")
        assert np.allclose(told, rates)
        assert await page.evaluate(
            f"figures.swing(figures.rates({beats}), {rates[0, 0]}, 10)"
        ) == pytest.approx(swing)
        assert 9 < swing < 10.5
        await page.click("#start")
        await expect(page.locator("#word")).to_contain_text("Breathe in")  # it comes with the next picture
        for _ in range(4):
            await page.keyboard.press("b")
            await asyncio.sleep(0.5)
        await expect(page.locator("#figures")).to_contain_text("Heart rate")
        moving = await page.evaluate("document.getAnimations().length")
        assert moving == 0

    on_page("breathing", check, reduced_motion="reduce")


# -- typing -------------------------------------------------------------------------------------------


def wolpaw(n: int, p: float) -> float:
    """Bits a choice (Wolpaw et al.): log2 N + P log2 P + (1-P) log2((1-P)/(N-1))."""
    return math.log2(n) + p * math.log2(p) + (1 - p) * math.log2((1 - p) / (n - 1))


def test_the_figures_are_those_worked_out_elsewhere() -> None:
    """Wolpaw's formula at two worked points (0.531 and 1.373 bit, computed); throughput by numpy, with
    We = 4.133 SD and IDe = log2(Ae/We + 1) (ISO 9241-411, from memory)."""
    ends = [0.52, 0.61, 0.47, 0.55, 0.7, 0.49]
    throughput = math.log2(1.2 / (4.133 * float(np.std(ends, ddof=1))) + 1) / 1.5

    async def check(page: Page) -> None:
        for n, p, worked in ((2, 0.9, 0.531), (4, 0.9, 1.373)):
            bits = await page.evaluate(f"figures.bits({n}, {p})")
            assert bits == pytest.approx(wolpaw(n, p)) == pytest.approx(worked, abs=5e-4)
        assert await page.evaluate("figures.bits(8, 1)") == 3
        assert await page.evaluate(f"figures.throughput(1.2, {ends}, 1.5)") == pytest.approx(throughput)
        # Five characters a word: 50 characters in two minutes are 5 words a minute.
        assert await page.evaluate("figures.wordsPerMinute(50, 120)") == 5
        # Levenshtein's own textbook pair.
        assert await page.evaluate("figures.errors('kitten', 'sitting')") == 3

    on_page("typing", check)


async def written(page: Page) -> str:
    return await page.text_content("#text") or ""


async def offered(page: Page) -> list[str]:
    """The letters of what is offered now: a whole row, or one key."""
    return await page.evaluate(
        "(() => { const key = document.querySelector('.key.here'); if (key) return [key.textContent];"
        " const row = document.querySelector('.row.here'); return row ? [...row.children].map((c) => c.textContent) : []; })()"
    )


async def type_with_two_switches(page: Page, text: str) -> None:
    for letter in text:
        wanted = "␣" if letter == " " else letter
        for _ in range(2):  # its row, then itself
            for _ in range(8):
                if wanted in await offered(page):
                    break
                await page.keyboard.press("Tab")
            await page.keyboard.press("Enter")


def test_two_switches_write_a_sentence_and_the_results_stay() -> None:
    async def check(page: Page) -> None:
        await page.select_option("#switches", "2")
        await page.fill("#undo", "0")
        await page.click("#begin")
        await type_with_two_switches(page, "the lamp is on")
        assert await written(page) == "the lamp is on"
        for _ in range(2):
            while "end" not in await offered(page):
                await page.keyboard.press("Tab")
            await page.keyboard.press("Enter")
        cells = await page.locator("#results td").all_text_contents()
        assert cells[0].startswith("two switches")
        assert float(cells[1]) > 1
        assert cells[2] == "0"
        await page.reload()
        assert await page.locator("#results td").all_text_contents() == cells

    on_page("typing", check)


def test_one_switch_scans_by_itself_takes_back_and_asks_for_acceptance() -> None:
    async def check(page: Page) -> None:
        await page.fill("#dwell", "300")
        await page.fill("#undo", "3000")
        await page.click("#begin")

        async def when(letter: str) -> None:
            for _ in range(400):
                if letter in await offered(page):
                    break
                await asyncio.sleep(0.01)
            await page.keyboard.press("Space")

        await when("t")
        await when("t")
        assert await written(page) == "t"
        await page.keyboard.press("Space")  # at once: taken back
        assert await written(page) == ""
        await page.fill("#accept", "200")
        await page.locator("#text").focus()
        await page.keyboard.press("Space")
        assert "Too short" in (await page.text_content("#said") or "")
        await page.keyboard.down("Space")
        await asyncio.sleep(0.25)
        await page.keyboard.up("Space")
        assert await page.locator(".key.here").count() == 1, "the row was chosen"

    on_page("typing", check)


# -- from an event to the page -----------------------------------------------------------------------

HEAD = """
version: 1
source: {type: synthetic, seed: 2, channels: [{name: forehead, kind: eeg}, {name: horizontal, kind: eog-horizontal}, {name: forearm, kind: emg}, {name: chest, kind: ecg}]}
# What a profile would say of this person.
detectors: [{detector: blink, settings: {deliberate_threshold: 180}}]
outputs: {keys: {type: keystrokes}}
rules:
"""
BLINK = "when: {event: blink, deliberate: true}"
# page: (its title, a button to begin with, the rules, what shows that an event has reached it)
ENDS = {
    "slides": ("Slides to turn", "", f"  - {{name: A, {BLINK}, then: {{press: PageDown}}, cooldown: 1 s}}\n", "document.querySelector('#where').textContent.includes('Slide 2 of 6')"),
    "fireflies": ("Fireflies: glance and clench", "#start", "  - {name: L, when: {event: looking-left}, then: {hold: ArrowLeft}}\n  - {name: C, when: {event: contraction}, then: {press: Space}}\n", "window.seen?.has('lane') && window.seen?.has('lid')"),
    "typing": ("Typing with one switch or two", "#begin", f"  - {{name: A, {BLINK}, then: {{press: Space}}, cooldown: 1 s}}\n", "document.querySelectorAll('.key.here').length === 1"),
    "breathing": ("Breathing with the heart", "#start", "  - {name: H, when: {event: heartbeat}, then: {press: b}}\n", "document.querySelector('#figures').textContent.includes('Heart rate')"),
}  # fmt: skip
# Notes what the game's line of words has said.
NOTE = """
  window.seen = new Set();
  new MutationObserver(() => {
    const words = document.querySelector('#said').textContent;
    if (words.startsWith('Jar in lane')) window.seen.add('lane');
    if (words.startsWith('Nothing in') || words === 'Caught') window.seen.add('lid');
  }).observe(document.querySelector('#said'), { childList: true, characterData: true, subtree: true });
"""


@pytest.fixture
def screen() -> Iterator[components.XServer]:
    with components.x_server() as server:
        yield server


@pytest.mark.parametrize("name", ENDS)
def test_what_the_synthetic_person_does_moves_a_real_page(
    screen: components.XServer, tmp_path: Path, name: str
) -> None:
    """It blinks on purpose, glances and clenches; the guard presses keys; a browser on that screen obeys."""
    title, button, rules_text, sign = ENDS[name]
    rules = tmp_path / "rules.yaml"
    rules.write_text(HEAD + rules_text, encoding="utf-8")
    environment = {**screen.environment, "XDG_RUNTIME_DIR": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)}

    async def main() -> None:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(
                executable_path=chromium(), headless=False, env={**os.environ, **environment}
            )
            page = await browser.new_page()
            await page.goto(address(name))
            await page.bring_to_front()
            # No window manager here gives the focus away: put it on the browser's window.
            search = ["xdotool", "search", "--name", f"{title} - "]

            def window() -> str:
                return subprocess.run(search, env=environment, capture_output=True, text=True).stdout.strip()

            await asyncio.to_thread(until, window, "the browser's window")
            focus = ["xdotool", "windowfocus", "--sync", window().splitlines()[0]]
            subprocess.run(focus, env=environment, check=True, timeout=10)
            if button:
                if name == "fireflies":
                    await page.evaluate(NOTE)
                await page.click(button)
                # A button that has the focus would take the blank for itself.
                await page.evaluate("document.activeElement.blur()")
            daemon = subprocess.Popen(
                [sys.executable, "-m", "bridge", "run", str(rules), "--armed", "--no-monitor"],
                env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            try:
                for _ in range(500):
                    if await page.evaluate(sign):
                        break
                    await asyncio.sleep(0.05)
                assert await page.evaluate(sign)
            finally:
                end(daemon, signal.SIGTERM)
                await browser.close()

    asyncio.run(asyncio.wait_for(main(), 60))
    until(lambda: screen.keys_down() == [], "no key stays down")
