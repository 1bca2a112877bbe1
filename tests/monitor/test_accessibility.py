"""WCAG 2.2 A and AA as far as a program can check them (axe-core), reflow and zoom besides."""

from __future__ import annotations

from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe

from .browser import Sight, in_browser, see
from .rig import Rig

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


async def violations(sight: Sight) -> list[str]:
    results = await Axe().run(sight.page, options={"runOnly": {"type": "tag", "values": TAGS}})
    assert len(results.response["passes"]) > 10  # it did look
    return [
        f"{found['id']}: {node['html'][:120]} {node['failureSummary'][:200]}"
        for found in results.response["violations"]
        for node in found["nodes"]
    ]


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("state", ["armed", "armed-unable", "disarmed", "paused", "no-signal"])
def test_no_violation_in_any_view(theme: str, state: str) -> None:
    async def check(rig: Rig, browser: Any) -> None:
        sight = await see(browser, rig.link, color_scheme=theme)
        await sight.page.wait_for_selector(f".state[data-state={state}]")
        await sight.page.click("summary >> text=Keys and marks")
        assert await violations(sight) == []
        await sight.page.click("nav a[href='#rules']")
        assert await violations(sight) == []
        await sight.page.click("#tune-link")
        await sight.says("#tune-sum", "the same")
        await sight.page.click("#tune-more summary")
        await sight.page.fill(".setting[data-setting=threshold] input[type=number]", "5000")
        await sight.page.keyboard.press("Enter")
        await sight.page.wait_for_selector("#tune-changes li")
        assert await violations(sight) == []

    in_browser(check, state=state)


@pytest.mark.parametrize(
    ("width", "height"),
    [
        (320, 640),  # WCAG 2.2, 1.4.10: reflow at 320 CSS pixels
        (390, 844),
        (680, 450),  # 1360 x 900 at 200 % zoom (1.4.4)
    ],
)
def test_narrow_and_zoomed_pages_do_not_scroll_sideways(width: int, height: int) -> None:
    async def check(rig: Rig, browser: Any) -> None:
        viewport = {"width": width, "height": height}
        sight = await see(browser, rig.link, viewport=viewport, device_scale_factor=2)
        await sight.page.wait_for_selector(".state[data-state=armed]")
        for view in ("watch", "rules", "tune"):
            await sight.page.click(f"nav a[href='#{view}']")
            await sight.page.wait_for_timeout(300)
            wide = await sight.page.evaluate("document.scrollingElement.scrollWidth")
            assert wide <= width, view
            for control in ("#stop", "#arm", "#state"):
                box = await sight.page.locator(control).bounding_box()
                assert box is not None, view
                assert box["x"] >= 0, (view, control)
                assert box["x"] + box["width"] <= width, (view, control)
            if width == 390:
                assert await violations(sight) == []

    in_browser(check)


def test_a_picture_that_is_not_drawn_yet_fits_a_narrow_page() -> None:
    """A canvas is 300 pixels wide before it is told another width (HTML, 4.12.5)."""

    async def check(rig: Rig, browser: Any) -> None:
        sight = await see(browser, rig.link, viewport={"width": 320, "height": 640})
        await sight.page.wait_for_selector(".state[data-state=armed]")
        await sight.page.click("nav a[href='#tune']")
        await sight.page.wait_for_selector("#tune-canvas", state="attached")
        await sight.page.evaluate("""() => {
            const canvas = document.querySelector('#tune-canvas');
            canvas.width = 300; canvas.style.width = canvas.style.height = '';
        }""")
        assert await sight.page.evaluate("document.scrollingElement.scrollWidth") <= 320

    in_browser(check)


def test_the_header_leaves_room_at_double_zoom() -> None:
    """It stays in view, so it must not cover the page."""

    async def check(rig: Rig, browser: Any) -> None:
        sight = await see(browser, rig.link, viewport={"width": 680, "height": 450}, device_scale_factor=2)
        await sight.page.wait_for_selector(".state[data-state=armed]")
        box = await sight.page.locator("header").bounding_box()
        assert box is not None
        assert box["height"] < 0.4 * 450

    in_browser(check)


def test_more_contrast_and_forced_colours_do_not_break_it() -> None:
    async def check(rig: Rig, browser: Any) -> None:
        sight = await see(browser, rig.link, forced_colors="active")
        await sight.until("watch.frames > 5")
        assert sight.complaints == []

    in_browser(check)
