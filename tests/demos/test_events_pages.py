"""Pages and programs that read the local stream: a real daemon, a real browser, no broker and no keys."""

from __future__ import annotations

import asyncio
import json
import os
import re
import subprocess
import sys
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import pytest
from playwright.async_api import Page, async_playwright, expect

from tests import components
from tests.components import end, until
from tests.monitor.browser import chromium

DEMOS = Path(__file__).resolve().parents[2] / "demos"
GUIDE = DEMOS / "guides" / "events.md"
pytestmark = pytest.mark.timeout(400)

PATIENCE_MS = 60_000  # the synthetic person does everything once in 20 s

RULES = """version: 1
source: {type: synthetic, seed: 3}
outputs:
  notes: {type: log}
rules:
  - {name: Blinked, when: {event: blink}, then: {note: blink}}
  - {name: Squeezed, when: {event: contraction}, then: {note: squeeze}}
"""


@pytest.fixture(scope="module")
def link(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """What a running daemon prints for other programs."""
    folder = tmp_path_factory.mktemp("daemon")
    (folder / "rules.yaml").write_text(RULES)
    runtime = folder / "run"
    runtime.mkdir(mode=0o700)
    os.environ["XDG_RUNTIME_DIR"] = str(runtime)
    log = folder / "log"
    with log.open("w") as err:
        process = subprocess.Popen(
            [*components.python(), "-m", "bridge", "run", "rules.yaml"],
            cwd=folder,
            stdout=subprocess.DEVNULL,
            stderr=err,
        )
    found = until(lambda: re.search(r"events for other programs at (\S+)", log.read_text()), "its link", 60)
    yield found[1]
    end(process)
    del os.environ["XDG_RUNTIME_DIR"]


def on_page(name: str, check: Callable[[Page], Awaitable[None]]) -> None:
    async def main() -> None:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=chromium())
            page = await browser.new_page(reduced_motion="reduce")
            complaints: list[str] = []
            page.on("console", lambda message: complaints.append(message.text))
            page.on("pageerror", lambda error: complaints.append(str(error)))
            await page.goto((DEMOS / name / "index.html").as_uri())
            await check(page)
            assert complaints == []
            await browser.close()

    asyncio.run(asyncio.wait_for(main(), 100))


def test_the_page_of_thirty_lines_lists_what_happens(link: str) -> None:
    assert len((DEMOS / "events" / "index.html").read_text().splitlines()) == 30

    async def check(page: Page) -> None:
        await page.fill("#link", link)
        await page.press("#link", "Enter")
        await expect(page.locator("#state")).to_have_text("Connected.", timeout=PATIENCE_MS)
        items = page.locator("#list li")
        await expect(items.filter(has_text="blink instant").first).to_be_attached(timeout=PATIENCE_MS)
        await expect(items.filter(has_text="Blinked: sent").first).to_be_attached(timeout=PATIENCE_MS)

    on_page("events", check)


def test_the_balloon_rises_while_squeezed(link: str) -> None:
    async def check(page: Page) -> None:
        await page.fill("#link", link)
        await page.press("#link", "Enter")
        await expect(page.locator("#said")).to_have_text("Connected: squeeze to rise", timeout=PATIENCE_MS)
        await page.click("#start")
        await page.wait_for_function("game.rising", timeout=PATIENCE_MS)
        before = await page.evaluate("game.y")
        await page.wait_for_function(f"game.y < {before} - 20 || game.y === CEILING", timeout=PATIENCE_MS)
        await page.wait_for_function("!game.rising", timeout=PATIENCE_MS)
        await page.wait_for_function("game.waved > 0", timeout=PATIENCE_MS)

    on_page("balloon", check)


def test_the_balloon_by_hand() -> None:
    async def check(page: Page) -> None:
        await page.click("#start")
        await page.keyboard.down(" ")
        await page.wait_for_function("game.y === CEILING", timeout=PATIENCE_MS)
        await page.keyboard.up(" ")
        await page.wait_for_function("game.y > CEILING + 20", timeout=PATIENCE_MS)
        await page.keyboard.press("b")
        await expect(page.locator("#score")).to_contain_text("waved 1")
        # A player that reads where the next seed is gathers it.
        steer = (
            "{ const seed = game.seeds.find((one) => !one.told); game.rising = !!seed && game.y > seed.y; }"
        )
        for _ in range(1500):
            await page.evaluate(steer)
            if await page.evaluate("game.gathered") >= 1:
                break
            await asyncio.sleep(0.02)
        assert await page.evaluate("game.gathered") >= 1
        await page.keyboard.press("p")
        assert await page.text_content("#start") == "Start"
        at = await page.evaluate("game.y")
        await asyncio.sleep(0.3)
        assert await page.evaluate("game.y") == at

    on_page("balloon", check)


def test_a_link_that_leads_nowhere_is_told() -> None:
    async def main() -> None:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=chromium())
            page = await browser.new_page()
            await page.goto((DEMOS / "balloon" / "index.html").as_uri())
            await page.fill("#link", f"http://127.0.0.1:{components.free_port()}/events?token=x")
            await page.press("#link", "Enter")
            await expect(page.locator("#said")).to_contain_text("No connection", timeout=PATIENCE_MS)
            await browser.close()

    asyncio.run(main())


def test_the_program_of_the_guide(link: str) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    with subprocess.Popen(
        [sys.executable, "-u", "-c", code],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PATH": path},
    ) as program:
        assert program.stdout is not None
        kinds = [program.stdout.readline().strip() for _ in range(4)]
        program.kill()
    assert kinds[0] == "None"  # the hello
    assert set(kinds[1:]) <= {"blink", "contraction", "long-closure", "signal-lost", "signal-back"}
    assert set(kinds[1:]) & {"blink", "contraction"}


def test_json_lines_have_a_type(tmp_path: Path) -> None:
    (tmp_path / "rules.yaml").write_text(RULES)
    command = [
        sys.executable,
        "-m",
        "bridge",
        "run",
        "rules.yaml",
        "--fast",
        "--for",
        "12",
        "--dry-run",
        "--json",
    ]
    usual, whole = (
        [json.loads(line) for line in done.stdout.splitlines()]
        for more in ((), ("--all",))
        for done in [
            subprocess.run([*command, *more], cwd=tmp_path, capture_output=True, text=True, check=True)
        ]
    )
    assert {record["type"] for record in usual} == {"event", "action"}
    assert {record["type"] for record in whole} == {"event", "action", "level", "signal"}
    assert [record for record in whole if record["type"] in ("event", "action")] == usual
    assert {record["channel"] for record in whole if record["type"] == "signal"} == {
        "forehead",
        "horizontal",
        "forearm",
        "chest",
    }
    told = {
        record
        for line in GUIDE.read_text().splitlines()
        if (record := line.partition("| `")[2].partition("`")[0])
    }
    assert told >= {record["type"] for record in whole}
