"""Headless Chromium over a rig, in one event loop, so that a test can do something and watch the page."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from playwright.async_api import Error, Page, async_playwright

from .rig import Rig, running


def chromium() -> str:
    """The system's Chromium; without it these checks fail, they are not left out."""
    for name in ("chromium", "chromium-browser"):
        found = shutil.which(name)
        if found:
            return found
    pytest.fail(
        "Chromium is missing, the page cannot be checked: install the system's package (Debian: chromium)."
    )


@dataclass
class Sight:
    """A page and everything it said or asked for."""

    page: Page
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    async def watch(self, expression: str) -> Any:
        """Evaluate with ``watch``, the page's picture, in reach."""
        return await self.page.evaluate(
            f"async () => {{ const {{ watch }} = await import('/app.js'); return {expression}; }}"
        )

    async def holds(self, expression: str, timeout_s: float = 15.0) -> Any:
        """Wait until an expression is true in the page, polling from here: its policy forbids eval."""
        end = time.monotonic() + timeout_s
        while not (value := await self.page.evaluate(expression)):
            if time.monotonic() > end:
                pytest.fail(f"the page never came to: {expression}")
            await asyncio.sleep(0.03)
        return value

    async def until(self, expression: str, timeout_s: float = 15.0) -> None:
        """Wait until an expression over ``watch`` holds."""
        await self.page.evaluate("async () => { window.watch = (await import('/app.js')).watch; }")
        await self.holds(expression, timeout_s)

    async def says(self, selector: str, words: str) -> None:
        """Wait until an element's text holds these words."""
        await self.holds(f"document.querySelector({selector!r}).textContent.includes({words!r})")


async def see(browser: Any, url: str, **context: Any) -> Sight:
    """Open a page in a fresh context and wait until it shows the signal.

    A browser that dies before it has shown anything (once in hundreds of starts) is started again, once.
    """
    try:
        return await _see(browser, url, **context)
    except Error as error:
        if "has been closed" not in str(error):
            raise
        again = await browser.browser_type.launch(executable_path=chromium())
        return await _see(again, url, **context)


async def _see(browser: Any, url: str, **context: Any) -> Sight:
    opened = await browser.new_context(**{"viewport": {"width": 1360, "height": 900}, **context})
    page = await opened.new_page()
    sight = Sight(page)
    page.on("console", lambda message: sight.complaints.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: sight.complaints.append(f"error: {error}"))
    page.on("request", lambda request: sight.requests.append(request.url))
    page.on("websocket", lambda socket: sight.requests.append(socket.url))
    await page.goto(url)
    await page.wait_for_selector("#empty", state="hidden")
    return sight


@contextlib.asynccontextmanager
async def browsing(**options: Any) -> AsyncIterator[tuple[Rig, Any]]:
    async with running(**options) as rig, async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium())
        try:
            yield rig, browser
        finally:
            await browser.close()


def in_browser(check: Callable[[Rig, Any], Awaitable[None]], **options: Any) -> None:
    async def main() -> None:
        async with browsing(**options) as (rig, browser):
            await asyncio.wait_for(check(rig, browser), 90)

    asyncio.run(main())
