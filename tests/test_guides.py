"""The guides: links, pictures, tables and code are what they say."""

from __future__ import annotations

import math
import re
import sys
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from bridge.detectors.protocol import DetectorType
from bridge.signals.types import CHANNEL_KINDS, Block, Channel, Event

GUIDES = Path(__file__).resolve().parents[1] / "demos" / "guides"
PAGES = sorted(GUIDES.glob("*.md"))


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_and_pictures_are_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for words, target in re.findall(r"!?\[([^\]]*)\]\(([^)\s]+)\)", text):
        assert words
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize("name", ["face", "forearm", "chest"])
def test_drawings_can_be_read_by_everybody(name: str) -> None:
    root = ET.parse(GUIDES / f"{name}.svg").getroot()
    spaces = {"s": "http://www.w3.org/2000/svg"}
    assert root.get("role") == "img"
    assert len(root.findtext("s:title", "", spaces)) > 10
    assert len(root.findtext("s:desc", "", spaces)) > 60


def test_cautions_stand_where_electrodes_are() -> None:
    text = (GUIDES / "electrodes.md").read_text(encoding="utf-8")
    head = text[: text.index("## Face")].replace("\n> ", " ")
    for words in (
        "Batteries only",
        "mains",
        "implant",
        "Not a medical device",
        "vehicles",
        "safety control",
        "Local codes",
    ):
        assert words in head
    for kind in CHANNEL_KINDS:
        assert f"`{kind}`" in text


def test_the_degrees_are_computed() -> None:
    text = (GUIDES / "trouble.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| [^|]+\| (\d+) cm \| (.*) \|$", text, re.MULTILINE)
    assert len(rows) == 3
    for width, cells in rows:
        for distance, cell in zip((40, 60, 80, 100), cells.split(" | "), strict=True):
            assert cell == f"±{math.degrees(math.atan(int(width) / 2 / distance)):.0f}°"


def test_the_example_detector_works_as_the_page_says(monkeypatch: pytest.MonkeyPatch) -> None:
    text = (GUIDES / "own-detector.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    module = ModuleType("jaw_click")
    monkeypatch.setitem(sys.modules, "jaw_click", module)
    exec(compile(code, "own-detector.md", "exec"), module.__dict__)
    type_ = module.TYPE
    assert isinstance(type_, DetectorType)
    rate_hz, random = 500.0, np.random.default_rng(3)
    x = random.normal(0, 3, 5000)
    clicks, grips = (1000, 2500, 4000), (1600, 3200)
    for at in clicks:
        x[at : at + 40] = random.normal(0, 150, 40)
    for at in grips:
        x[at : at + 400] = random.normal(0, 150, 400)

    def events(size: int) -> list[Event]:
        detector = type_.create("click", [Channel("jaw", "emg", "uV")], rate_hz, {})
        found = []
        for first in range(0, len(x), size):
            found += detector.process(Block(x[first : first + size, None], first))
        return [item for item in [*found, *detector.flush()] if isinstance(item, Event)]

    found = events(7)
    assert [round(event.onset * rate_hz / 100) for event in found] == [at // 100 for at in clicks]
    assert found == events(5000) == events(64)
    assert all(event.onset <= event.decided <= event.onset + type_.latency_s for event in found)
    wild = type_.create("click", [Channel("jaw", "emg")], rate_hz, {})
    assert wild.process(Block(np.array([[np.nan], [np.inf], [0.0]]), 0)) == []
    with pytest.raises(ValueError, match="above 0"):
        type_.create("click", [Channel("jaw", "emg")], rate_hz, {"threshold": 0.0})
